-- What checks of every kind give beside the first few figures. result holds all
-- of it as the JSON of the wire's message CheckResult, whose field schema says
-- which fields there are; it is read back whole and no query looks into it.
-- A row of before has '' there.
ALTER TABLE check_results
    ADD COLUMN IF NOT EXISTS standard_id LowCardinality(String) AFTER performed_by,
    ADD COLUMN IF NOT EXISTS risk Nullable(Float64) COMMENT 'probability that the decision is wrong; null: nothing was decided' AFTER reason,
    ADD COLUMN IF NOT EXISTS opens_epoch_at Nullable(DateTime64(9, 'UTC')) COMMENT 'from when its calibration or base inertia holds' AFTER opens_epoch,
    ADD COLUMN IF NOT EXISTS base_inertia_kg Nullable(Float64) COMMENT 'of a base-inertia check' AFTER calibration_cov_zero_gain_n,
    ADD COLUMN IF NOT EXISTS base_inertia_u_kg Nullable(Float64) COMMENT 'expanded, k = 2' AFTER base_inertia_kg,
    ADD COLUMN IF NOT EXISTS result String COMMENT 'JSON of CheckResult' CODEC(ZSTD(1)) AFTER base_inertia_u_kg
