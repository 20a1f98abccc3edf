-- Of the headline figures: how well the engine speed of each peak is known, and the
-- mean over the band with its uncertainty and the engine speeds it is taken over.
-- And how the length of the curve's window was chosen. Rows from before say nothing
-- of it. A name with _u_ is an expanded uncertainty (k = 2).
ALTER TABLE curves
    ADD COLUMN IF NOT EXISTS peak_wheel_power_engine_speed_u_rad_s Nullable(Float64),
    ADD COLUMN IF NOT EXISTS peak_engine_power_engine_speed_u_rad_s Nullable(Float64),
    ADD COLUMN IF NOT EXISTS peak_engine_torque_engine_speed_u_rad_s Nullable(Float64),
    ADD COLUMN IF NOT EXISTS peak_corrected_power_engine_speed_u_rad_s Nullable(Float64),
    ADD COLUMN IF NOT EXISTS peak_corrected_torque_engine_speed_u_rad_s Nullable(Float64),
    ADD COLUMN IF NOT EXISTS mean_wheel_power_w Nullable(Float64),
    ADD COLUMN IF NOT EXISTS mean_wheel_power_u_w Nullable(Float64),
    ADD COLUMN IF NOT EXISTS mean_wheel_power_low_rad_s Nullable(Float64),
    ADD COLUMN IF NOT EXISTS mean_wheel_power_high_rad_s Nullable(Float64),
    ADD COLUMN IF NOT EXISTS mean_engine_power_w Nullable(Float64),
    ADD COLUMN IF NOT EXISTS mean_engine_power_u_w Nullable(Float64),
    ADD COLUMN IF NOT EXISTS mean_engine_power_low_rad_s Nullable(Float64),
    ADD COLUMN IF NOT EXISTS mean_engine_power_high_rad_s Nullable(Float64),
    ADD COLUMN IF NOT EXISTS mean_engine_torque_nm Nullable(Float64),
    ADD COLUMN IF NOT EXISTS mean_engine_torque_u_nm Nullable(Float64),
    ADD COLUMN IF NOT EXISTS mean_engine_torque_low_rad_s Nullable(Float64),
    ADD COLUMN IF NOT EXISTS mean_engine_torque_high_rad_s Nullable(Float64),
    ADD COLUMN IF NOT EXISTS mean_corrected_power_w Nullable(Float64),
    ADD COLUMN IF NOT EXISTS mean_corrected_power_u_w Nullable(Float64),
    ADD COLUMN IF NOT EXISTS mean_corrected_power_low_rad_s Nullable(Float64),
    ADD COLUMN IF NOT EXISTS mean_corrected_power_high_rad_s Nullable(Float64),
    ADD COLUMN IF NOT EXISTS mean_corrected_torque_nm Nullable(Float64),
    ADD COLUMN IF NOT EXISTS mean_corrected_torque_u_nm Nullable(Float64),
    ADD COLUMN IF NOT EXISTS mean_corrected_torque_low_rad_s Nullable(Float64),
    ADD COLUMN IF NOT EXISTS mean_corrected_torque_high_rad_s Nullable(Float64),
    ADD COLUMN IF NOT EXISTS window_from_noise Nullable(Bool) COMMENT 'true: chosen from the pull''s own noise; false: a fixed share of the sweep'
