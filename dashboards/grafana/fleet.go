package grafana

import "strings"

// fleetDashboard shows where every cell stands, what is flagged and how the
// agents are.
func fleetDashboard() dashboard {
	return dashboard{
		UID: "rollcall-fleet", Title: "Rollcall: the fleet", Tags: []string{"rollcall"}, Timezone: "utc", GraphTooltip: 1, Refresh: "1m", SchemaVersion: schemaVersion,
		Description: "Where every cell stands against the fleet. Offsets are relative errors of corrected tractive force; U is expanded, k = 2.",
		Time:        span{From: "now-26w", To: "now"},
		Templating:  templating{List: []variable{someOf("cell", "Cell", cellsSQL)}},
		Panels: placed(
			[]sized{{openFlags(), 6, 4}, {recalibrate(), 6, 4}, {widest(), 6, 4}, {silentAgents(), 6, 4}},
			[]sized{{offsets(), 24, 10}},
			[]sized{{cellTable(), 24, 10}},
			[]sized{{flagTable(), 24, 8}},
			[]sized{{evidence(), 12, 8}, {waitingHours(), 12, 8}},
		),
	}
}

// Rows that a newer computation does not have any more are marked present = 0;
// FINAL sees through rows that were written twice. A time that is of a table's sort
// key is the same in every version of a row, so PREWHERE may narrow by it before
// FINAL looks: only the rows of the time range are read.

const cellsSQL = "SELECT DISTINCT cell_id FROM estimates FINAL WHERE present = 1 ORDER BY cell_id"

func openFlags() panel {
	return statPanel("Open flags", "Flags open now, of cells and reference cars, whatever the time range.", "none", 0, 1,
		`SELECT count() AS flags_open FROM flags FINAL WHERE present = 1 AND open`)
}

func recalibrate() panel {
	return statPanel("Cells to recalibrate", "Cells whose open flag says recalibrate, whatever the time range.", "none", 0, 1,
		`SELECT uniqExact(cell_id) AS cells FROM flags FINAL WHERE present = 1 AND open AND kind = 'recalibrate' AND cell_id != ''`)
}

func widest() panel {
	return statPanel("Widest U", "The largest expanded uncertainty of any cell's latest offset in the time range: where the next reference run helps most.", "percent", 2, 1,
		`SELECT max(u) AS widest
FROM (
    SELECT cell_id, argMax(offset_u, at) * 100 AS u
    FROM estimates FINAL
    PREWHERE $__timeFilter(at)
    WHERE present = 1 AND cell_id IN (${cell:singlequote})
    GROUP BY cell_id
)
HAVING count() > 0`)
}

func silentAgents() panel {
	return statPanel("Silent agents", "Agents that were heard in the time range, but not in its last ten minutes.", "none", 0, 1,
		`SELECT countIf(latest < $__toTime - INTERVAL 10 MINUTE) AS silent
FROM (
    SELECT cell_id, received_at AS latest
    FROM latest_heartbeats FINAL
    WHERE $__timeFilter(received_at)
)`)
}

func offsets() panel {
	return seriesPanel("Offset of every cell from the fleet", "Relative error of corrected tractive force after each reference run. A cell's U is in the table below.", "percent",
		`SELECT at AS time, cell_id AS cell, offset * 100 AS offset
FROM estimates FINAL
PREWHERE $__timeFilter(at)
WHERE present = 1 AND cell_id IN (${cell:singlequote})
ORDER BY time`)
}

func cellTable() panel {
	return tablePanel("Where every cell stands", "The latest estimate of each cell in the time range, its open flag and its agent. The farthest off comes first.",
		`SELECT
    e.cell_id AS cell,
    e.last_offset AS offset,
    e.last_u AS U,
    f.kinds AS flag,
    f.cause AS cause,
    e.last_runs AS runs,
    e.last_at AS last_run,
    e.separable AS not_separable,
    h.latest AS agent_seen,
    h.waiting AS waiting
FROM (
    SELECT cell_id, argMax(offset, at) * 100 AS last_offset, argMax(offset_u, at) * 100 AS last_u, argMax(runs, at) AS last_runs, max(at) AS last_at, argMax(not_separable, at) AS separable
    FROM estimates FINAL
    PREWHERE $__timeFilter(at)
    WHERE present = 1 AND cell_id IN (${cell:singlequote})
    GROUP BY cell_id
) AS e
LEFT JOIN (
    SELECT cell_id, arrayStringConcat(groupUniqArray(toString(kind)), ', ') AS kinds, argMax(if(empty(cause_fault), '', toString(cause_fault[1])), updated_at) AS cause
    FROM flags FINAL
    WHERE present = 1 AND open AND cell_id != ''
    GROUP BY cell_id
) AS f ON f.cell_id = e.cell_id
LEFT JOIN (
    SELECT cell_id, toNullable(received_at) AS latest, toNullable(spool_messages) AS waiting
    FROM latest_heartbeats FINAL
) AS h ON h.cell_id = e.cell_id
ORDER BY abs(e.last_offset) DESC, cell`,
		map[string]string{"offset": "percent", "U": "percent"}, []string{"offset", "U"})
}

func flagTable() panel {
	return tablePanel("Flags", "Flags that were open at some time in the range: the open ones first.",
		`SELECT
    if(open, 'open', 'closed') AS state,
    if(cell_id != '', cell_id, concat('car ', car_id)) AS of,
    kind,
    first_evidence_at AS first_evidence,
    opened_at AS opened,
    closed_at AS closed,
    if(empty(cause_fault), '', toString(cause_fault[1])) AS cause,
    if(empty(cause_probability), NULL, cause_probability[1] * 100) AS probability,
    evidence,
    next_check
FROM flags FINAL
WHERE present = 1 AND opened_at <= $__toTime AND (closed_at IS NULL OR closed_at >= $__fromTime)
ORDER BY open DESC, opened DESC`,
		map[string]string{"probability": "percent"}, []string{"probability"})
}

func evidence() panel {
	return seriesPanel("Weight of evidence of every cell", "Its logarithm as a share of that of its limit. At 100 % the cell is flagged as drifting.", "percent",
		`SELECT at AS time, cell_id AS cell, log10(greatest(evidence, 1)) / log10(evidence_limit) * 100 AS evidence_share
FROM estimates FINAL
PREWHERE $__timeFilter(at)
WHERE present = 1 AND evidence_limit > 1 AND cell_id IN (${cell:singlequote})
ORDER BY time`)
}

// waitingHours is waiting over months, from the hours that are kept of heartbeats.
func waitingHours() panel {
	return waitingIn("spool_hours", "hour", "The most that the agents had not yet sent in each hour")
}

// Heartbeats that were written twice do not change a maximum.
func waiting() panel {
	return waitingIn("heartbeats", "received_at", "What the agents have not yet sent")
}

// waitingIn shows the twenty with the most: a line for each of a thousand cells says
// nothing and takes seconds.
func waitingIn(table, at, what string) panel {
	return seriesPanel("Messages waiting at the cells", what+", of the twenty cells with the most in the time range. It grows while a link is down and drains when it is back.", "short",
		strings.NewReplacer("TABLE", table, "AT", at).Replace(`SELECT $__timeInterval(AT) AS time, cell_id AS cell, max(spool_messages) AS waiting
FROM TABLE
WHERE $__timeFilter(AT) AND cell_id IN (
    SELECT cell_id FROM TABLE
    WHERE $__timeFilter(AT) AND cell_id IN (${cell:singlequote})
    GROUP BY cell_id
    ORDER BY max(spool_messages) DESC, cell_id
    LIMIT 20
)
GROUP BY time, cell
ORDER BY time`))
}
