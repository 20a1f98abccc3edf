package grafana

// cellDashboard shows one cell: its error over time, its checks, what was left
// out, and what is doubted.
func cellDashboard() dashboard {
	return dashboard{
		UID: "rollcall-cell", Title: "Rollcall: a cell", Tags: []string{"rollcall"}, Timezone: "utc", GraphTooltip: 1, Refresh: "1m", SchemaVersion: schemaVersion,
		Description: "One cell against the fleet and against dead weights. Offsets are relative errors of corrected tractive force; U is expanded, k = 2.",
		Time:        span{From: "now-26w", To: "now"},
		Templating:  templating{List: []variable{oneOf("cell", "Cell", cellsSQL)}},
		Panels: placed(
			[]sized{{cellBand(), 24, 10}},
			[]sized{{cellEvidence(), 12, 8}, {cellGain(), 12, 8}},
			[]sized{{cellChecks(), 24, 8}},
			[]sized{{cellTouched(), 12, 8}, {cellFindings(), 12, 8}},
		),
	}
}

func cellBand() panel {
	return seriesPanel("Offset from the fleet with its band", "Relative error of corrected tractive force after each reference run, and the ends of its expanded uncertainty, k = 2.", "percent",
		`SELECT at AS time, e.offset * 100 AS offset, (e.offset - e.offset_u) * 100 AS low, (e.offset + e.offset_u) * 100 AS high
FROM estimates AS e FINAL
WHERE present = 1 AND $__timeFilter(at) AND cell_id IN (${cell:singlequote})
ORDER BY time`)
}

func cellEvidence() panel {
	return seriesPanel("Weight of evidence of a change", "Its logarithm as a share of that of its limit. At 100 % the cell is flagged as drifting.", "percent",
		`SELECT at AS time, log10(greatest(evidence, 1)) / log10(evidence_limit) * 100 AS evidence_share
FROM estimates FINAL
WHERE present = 1 AND evidence_limit > 1 AND $__timeFilter(at) AND cell_id IN (${cell:singlequote})
ORDER BY time`)
}

func cellGain() panel {
	return seriesPanel("Gain error by dead weights", "What the load cell reads too much, as found and as left, each with its own point; U is in the table below.", "percent",
		`SELECT performed_at AS time, if(state = 2, 'as left', 'as found') AS state, gain_error * 100 AS gain
FROM check_results FINAL
WHERE kind = 1 AND gain_error IS NOT NULL AND $__timeFilter(performed_at) AND cell_id IN (${cell:singlequote})
ORDER BY time`)
}

func cellChecks() panel {
	return tablePanel("Calibration checks", "Every check in the time range with its errors, U (k = 2) and verdict, newest first.",
		`SELECT
    performed_at AS performed,
    multiIf(kind = 1, 'dead weight', kind = 2, 'zero', 'shunt') AS check,
    if(state = 2, 'as left', 'as found') AS state,
    verdict,
    zero_error_n AS zero,
    zero_error_u_n AS U_zero,
    gain_error * 100 AS gain,
    gain_error_u * 100 AS U_gain,
    performed_by AS by,
    reason
FROM check_results FINAL
WHERE $__timeFilter(performed_at) AND cell_id IN (${cell:singlequote})
ORDER BY performed DESC`,
		map[string]string{"zero": "forceN", "U_zero": "forceN", "gain": "percent", "U_gain": "percent"}, []string{"zero", "U_zero", "gain", "U_gain"})
}

func cellTouched() panel {
	return tablePanel("Customer pulls in doubt", "Pulls in the time range that an open flag of the cell touches, with the effect on the stated power and its U (k = 2).",
		`SELECT t.started_at AS started, t.customer_car AS car, t.effect * 100 AS effect, t.effect_u * 100 AS U, t.pull_id AS pull
FROM touched_pulls AS t FINAL
WHERE t.present = 1 AND $__timeFilter(t.started_at) AND t.cell_id IN (${cell:singlequote})
    AND t.flag_id IN (SELECT flag_id FROM flags FINAL WHERE present = 1 AND open)
ORDER BY started DESC`,
		map[string]string{"effect": "percent", "U": "percent"}, []string{"effect", "U"})
}

func cellFindings() panel {
	return tablePanel("Findings", "What was found on pulls in the time range, by kind: how often, and how often it kept a reference pull from judging.",
		`SELECT kind, count() AS pulls, countIf(disqualifying) AS disqualifying, max(started_at) AS last
FROM findings
WHERE $__timeFilter(started_at) AND cell_id IN (${cell:singlequote})
GROUP BY kind
ORDER BY pulls DESC, kind`, nil, nil)
}
