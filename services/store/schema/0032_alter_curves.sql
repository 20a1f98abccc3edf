-- Under which base inertia and which parasitic loss a curve was computed, beside
-- the load cell's epoch; empty: the registry's value.
ALTER TABLE curves
    ADD COLUMN IF NOT EXISTS base_inertia_epoch String DEFAULT '' COMMENT 'of the base inertia it was computed with; empty: the registry''s' AFTER epoch,
    ADD COLUMN IF NOT EXISTS parasitic_epoch String DEFAULT '' COMMENT 'of the parasitic loss it was computed with; empty: the registry''s' AFTER base_inertia_epoch
