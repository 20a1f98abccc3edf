-- Under which base inertia an empty-roller coast-down was computed, and with
-- which parasitic loss it was compared; empty: the registry's value.
ALTER TABLE coastdown_results
    ADD COLUMN IF NOT EXISTS base_inertia_epoch String DEFAULT '' COMMENT 'of the base inertia it was computed with; empty: the registry''s' AFTER epoch,
    ADD COLUMN IF NOT EXISTS parasitic_epoch String DEFAULT '' COMMENT 'of the parasitic loss it was compared with; empty: the registry''s' AFTER base_inertia_epoch
