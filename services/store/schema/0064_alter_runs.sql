-- How fast the engine turns for each metre of roller surface, an entry a pull whose
-- engine speed is logged: ln of the ratio at the mean tractive force of the band
-- points and its slope against the force. Empty in rows of before: not known.
ALTER TABLE runs
    ADD COLUMN IF NOT EXISTS ratio_pull_ids Array(String) CODEC(ZSTD(1)) AFTER acceleration_mps2,
    ADD COLUMN IF NOT EXISTS ratio_judges Array(Bool) COMMENT 'the pull judges the cell; false: left out for its slip' AFTER ratio_pull_ids,
    ADD COLUMN IF NOT EXISTS ln_ratio Array(Float64) COMMENT 'of engine speed over roller speed, rad/m' CODEC(ZSTD(1)) AFTER ratio_judges,
    ADD COLUMN IF NOT EXISTS ln_ratio_u Array(Float64) COMMENT 'standard, of the points'' scatter' CODEC(ZSTD(1)) AFTER ln_ratio,
    ADD COLUMN IF NOT EXISTS ln_ratio_slope_1_n Array(Float64) CODEC(ZSTD(1)) AFTER ln_ratio_u,
    ADD COLUMN IF NOT EXISTS ln_ratio_slope_u_1_n Array(Float64) COMMENT 'standard' CODEC(ZSTD(1)) AFTER ln_ratio_slope_1_n,
    ADD COLUMN IF NOT EXISTS ratio_force_n Array(Float64) CODEC(ZSTD(1)) AFTER ln_ratio_slope_u_1_n
