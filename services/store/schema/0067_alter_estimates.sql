-- What else an estimate says: the weight of evidence of a change, which decides where
-- the CUSUM did, and when the cell will be out of tolerance. Rows from before say
-- nothing of it: their limit is 0.
ALTER TABLE estimates
    ADD COLUMN IF NOT EXISTS evidence Float64 COMMENT 'weight of evidence that the cell has changed since its errors last restarted' AFTER cusum_limit,
    ADD COLUMN IF NOT EXISTS evidence_limit Float64 COMMENT 'above it the cell counts as drifting; 0: not known' AFTER evidence,
    ADD COLUMN IF NOT EXISTS beyond Float64 COMMENT 'probability that the offset is beyond the tolerance' AFTER evidence_limit,
    ADD COLUMN IF NOT EXISTS crossing_at Nullable(DateTime64(9, 'UTC')) COMMENT 'by then it will be beyond the tolerance with probability 1/2' AFTER beyond,
    ADD COLUMN IF NOT EXISTS crossing_earliest_at Nullable(DateTime64(9, 'UTC')) COMMENT 'with probability 0.025' AFTER crossing_at,
    ADD COLUMN IF NOT EXISTS crossing_latest_at Nullable(DateTime64(9, 'UTC')) COMMENT 'with probability 0.975; null: not within the horizon' AFTER crossing_earliest_at
