-- Whose loss a curve was computed with, where one was to be carried.
ALTER TABLE curves
    ADD COLUMN IF NOT EXISTS set_up String COMMENT 'of the car, as announced' CODEC(ZSTD(1)),
    ADD COLUMN IF NOT EXISTS loss_asked_from String COMMENT 'the baseline pull whose loss was to be carried; empty: none was' CODEC(ZSTD(1)),
    ADD COLUMN IF NOT EXISTS loss_carried_from String COMMENT 'the baseline pull whose loss this is; empty: the pull''s own, or none' CODEC(ZSTD(1))
