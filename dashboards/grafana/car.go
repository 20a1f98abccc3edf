package grafana

const carsSQL = "SELECT DISTINCT car_id FROM car_estimates FINAL WHERE present = 1 ORDER BY car_id"

// carDashboard shows one reference car: its own drift and where it has been.
func carDashboard() dashboard {
	return dashboard{
		UID: "rollcall-car", Title: "Rollcall: a reference car", Tags: []string{"rollcall"}, Timezone: "utc", GraphTooltip: 1, Refresh: "1m", SchemaVersion: schemaVersion,
		Description: "How far a reference car has moved against the other cars, and where it has been. U is expanded, k = 2.",
		Time:        span{From: "now-26w", To: "now"},
		Templating:  templating{List: []variable{oneOf("car", "Reference car", carsSQL)}},
		Panels: placed(
			[]sized{{carChange(), 6, 4}, {carRuns(), 6, 4}, {carCells(), 6, 4}, {carProbability(), 6, 4}},
			[]sized{{carBand(), 24, 10}},
			[]sized{{carVisits(), 12, 9}, {carLeftOut(), 12, 9}},
		),
	}
}

func carChange() panel {
	return statPanel("Change since its first weeks", "The car's latest change of tractive force in the time range, against the other cars.", "percent", 2, 1.5,
		`SELECT argMax(change, at) * 100 AS change FROM car_estimates FINAL
WHERE present = 1 AND $__timeFilter(at) AND car_id IN (${car:singlequote})
HAVING count() > 0`)
}

func carProbability() panel {
	return statPanel("Probability that it changed", "That the change is more than the car may, at the latest run in the time range.", "percent", 0, 95,
		`SELECT argMax(probability, at) * 100 AS probability FROM car_estimates FINAL
WHERE present = 1 AND $__timeFilter(at) AND car_id IN (${car:singlequote})
HAVING count() > 0`)
}

func carRuns() panel {
	return statPanel("Reference runs", "Runs of the car in the time range.", "none", 0, 1e9,
		`SELECT count() AS runs FROM runs FINAL WHERE $__timeFilter(started_at) AND car_id IN (${car:singlequote})`)
}

func carCells() panel {
	return statPanel("Cells visited", "Cells the car has run on in the time range. A car that stays at one site cannot tell cells from cars.", "none", 0, 1e9,
		`SELECT uniqExact(cell_id) AS cells FROM runs FINAL WHERE $__timeFilter(started_at) AND car_id IN (${car:singlequote})`)
}

func carBand() panel {
	return seriesPanel("Change with its band", "Change of tractive force since the car's first weeks after each run, and the ends of its expanded uncertainty, k = 2.", "percent",
		`SELECT at AS time, c.change * 100 AS change, (c.change - c.change_u) * 100 AS low, (c.change + c.change_u) * 100 AS high
FROM car_estimates AS c FINAL
WHERE present = 1 AND $__timeFilter(at) AND car_id IN (${car:singlequote})
ORDER BY time`)
}

func carVisits() panel {
	return tablePanel("Where it has been", "Each cell the car has run on in the time range, the latest visit first.",
		`SELECT site_id AS site, cell_id AS cell, count() AS runs, min(started_at) AS first, max(started_at) AS last
FROM runs FINAL
WHERE $__timeFilter(started_at) AND car_id IN (${car:singlequote})
GROUP BY site, cell
ORDER BY last DESC, cell`, nil, nil)
}

func carLeftOut() panel {
	return tablePanel("Pulls left out", "Reference pulls in the time range that did not judge their cell, and why.",
		`SELECT started_at AS run, cell_id AS cell, reason
FROM runs FINAL
ARRAY JOIN left_out_reasons AS reason
WHERE $__timeFilter(started_at) AND car_id IN (${car:singlequote})
ORDER BY run DESC, reason`, nil, nil)
}
