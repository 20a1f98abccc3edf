-- The error of the cell at a touched pull's own time, by which the pull can be
-- computed anew. Rows from before have none until the flags are computed again.
ALTER TABLE touched_pulls
    ADD COLUMN IF NOT EXISTS fault LowCardinality(String) COMMENT 'the cause, where it is known with P >= 0.9 and is an error of a value of the cell; else empty' AFTER effect_u,
    ADD COLUMN IF NOT EXISTS size Nullable(Float64) COMMENT 'the error, in size_unit' AFTER fault,
    ADD COLUMN IF NOT EXISTS size_u Nullable(Float64) COMMENT 'expanded, k = 2' AFTER size,
    ADD COLUMN IF NOT EXISTS size_unit LowCardinality(String) AFTER size_u,
    ADD COLUMN IF NOT EXISTS size_from LowCardinality(String) COMMENT 'checks, runs, flag' AFTER size_unit
