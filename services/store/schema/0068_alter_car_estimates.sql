-- The weight of evidence that a reference car has changed. Rows from before say nothing
-- of it: their limit is 0.
ALTER TABLE car_estimates
    ADD COLUMN IF NOT EXISTS evidence Float64 COMMENT 'weight of evidence that the car has changed in its epoch' AFTER probability,
    ADD COLUMN IF NOT EXISTS evidence_limit Float64 COMMENT 'above it the car counts as changed; 0: not known' AFTER evidence
