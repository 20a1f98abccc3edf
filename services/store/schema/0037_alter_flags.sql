-- A flag of kind "check overdue" says since when the check is due.
ALTER TABLE flags
    ADD COLUMN IF NOT EXISTS due_at Nullable(DateTime64(9, 'UTC')) COMMENT 'of kind check overdue' AFTER evidence
