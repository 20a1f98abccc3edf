-- Under which base inertia an empty-roller coast-down was computed, with which
-- parasitic loss it was compared (empty: the registry's value), and what adopting
-- its loss needs.
ALTER TABLE coastdown_results
    ADD COLUMN IF NOT EXISTS base_inertia_epoch String DEFAULT '' COMMENT 'of the base inertia it was computed with; empty: the registry''s' AFTER epoch,
    ADD COLUMN IF NOT EXISTS parasitic_epoch String DEFAULT '' COMMENT 'of the parasitic loss it was compared with; empty: the registry''s' AFTER base_inertia_epoch,
    ADD COLUMN IF NOT EXISTS mass_u_kg Nullable(Float64) COMMENT 'standard uncertainty of mass_kg' AFTER mass_kg,
    ADD COLUMN IF NOT EXISTS loss_u_n Nullable(Float64) COMMENT 'the largest standard uncertainty of the loss over the speeds seen' AFTER cov
