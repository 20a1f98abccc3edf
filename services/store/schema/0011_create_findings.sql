-- Findings of pulls, a row each, as dashboards read them. They live in curves, so
-- that a pull and its findings change together or not at all.
CREATE VIEW IF NOT EXISTS findings AS
SELECT
    pull_id,
    cell_id,
    car_id,
    started_at,
    ordinal,
    kind,
    channel,
    start_s,
    end_s,
    size,
    unit,
    disqualifying,
    text,
    code_version
FROM
(
    SELECT pull_id, cell_id, car_id, started_at, code_version,
        finding_kind, finding_channel, finding_start_s, finding_end_s, finding_size, finding_unit, finding_disqualifying, finding_text
    FROM curves FINAL
)
ARRAY JOIN
    arrayEnumerate(finding_kind) AS ordinal,
    finding_kind AS kind,
    finding_channel AS channel,
    finding_start_s AS start_s,
    finding_end_s AS end_s,
    finding_size AS size,
    finding_unit AS unit,
    finding_disqualifying AS disqualifying,
    finding_text AS text
