package grafana

// ingestDashboard shows whether what the cells measure arrives.
func ingestDashboard() dashboard {
	return dashboard{
		UID: "rollcall-ingest", Title: "Rollcall: what arrives", Tags: []string{"rollcall"}, Timezone: "utc", GraphTooltip: 1, Refresh: "30s", SchemaVersion: schemaVersion,
		Description: "Whether what the cells measure arrives: agents, spools, refused messages, and what could not be computed.",
		Time:        span{From: "now-24h", To: "now"},
		Templating:  templating{List: []variable{someOf("cell", "Cell", "SELECT DISTINCT cell_id FROM latest_heartbeats FINAL ORDER BY cell_id")}},
		Panels: placed(
			[]sized{{ingestRefused(), 6, 4}, {ingestUnusable(), 6, 4}, {ingestOldest(), 6, 4}, {ingestAside(), 6, 4}},
			[]sized{{ingestRecords(), 12, 8}, {ingestSamples(), 12, 8}},
			[]sized{{waiting(), 12, 8}, {ingestDelay(), 12, 8}},
			[]sized{{ingestAgents(), 24, 9}},
			[]sized{{ingestRefusals(), 24, 9}},
		),
	}
}

func ingestRefused() panel {
	return statPanel("Refused messages", "Messages of agents that were refused in the time range. The agent keeps each, set aside.", "none", 0, 1,
		`SELECT count() AS refused FROM refusals FINAL PREWHERE $__timeFilter(refused_at) WHERE cell_id IN (${cell:singlequote})`)
}

func ingestUnusable() panel {
	return statPanel("Records not computed", "Pulls and coast-downs of the time range that are incomplete or unusable.", "none", 0, 1,
		`SELECT countIf(state != 'computed') AS records FROM curves FINAL PREWHERE $__timeFilter(started_at) WHERE cell_id IN (${cell:singlequote})`)
}

func ingestOldest() panel {
	return statPanel("Oldest message waiting", "How long the oldest message in any spool has waited by its agent's clock, whatever the time range.", "s", 0, 1800,
		`SELECT max(if(spool_messages = 0, 0, ifNull(dateDiff('second', spool_oldest_at, sent_at), 0))) AS oldest
FROM latest_heartbeats FINAL
WHERE cell_id IN (${cell:singlequote})`)
}

func ingestAside() panel {
	return statPanel("Files and messages set aside", "Files an agent could not read and messages it set aside, whatever the time range.", "none", 0, 1,
		`SELECT sum(rejected_files + set_aside_messages) AS set_aside FROM latest_heartbeats FINAL WHERE cell_id IN (${cell:singlequote})`)
}

// A record's end that was sent twice is counted once, by the later: cheaper than
// FINAL, which would tell all ends of all times apart.
func ingestRecords() panel {
	return seriesPanel("Records whole", "Pulls and coast-downs whose last block has arrived.", "short",
		`SELECT $__timeInterval(latest) AS time, cell_id AS cell, count() AS records
FROM (
    SELECT cell_id, max(received_at) AS latest
    FROM pull_ends
    WHERE $__timeFilter(received_at) AND cell_id IN (${cell:singlequote})
    GROUP BY pull_id, cell_id
)
GROUP BY time, cell
ORDER BY time`)
}

func ingestSamples() panel {
	return seriesPanel("Samples", "Samples of the records that have become whole.", "short",
		`SELECT $__timeInterval(latest) AS time, sum(samples_of) AS samples
FROM (
    SELECT max(received_at) AS latest, argMax(samples, received_at) AS samples_of
    FROM pull_ends
    WHERE $__timeFilter(received_at) AND cell_id IN (${cell:singlequote})
    GROUP BY pull_id, cell_id
)
GROUP BY time
ORDER BY time`)
}

// A record's beginning comes in within a day before its end, however long both
// waited in the spool.
func ingestDelay() panel {
	return seriesPanel("From pull to database", "Time from the start of a record to its being whole, the longest of each interval: the sweep itself, then spool and link.", "s",
		`SELECT $__timeInterval(e.received_at) AS time, e.cell_id AS cell, max(dateDiff('second', p.started_at, e.received_at)) AS delay
FROM pull_ends AS e
INNER JOIN (
    SELECT pull_id, cell_id, any(started_at) AS started_at
    FROM pulls
    WHERE received_at >= $__fromTime - INTERVAL 1 DAY AND received_at <= $__toTime AND cell_id IN (${cell:singlequote})
    GROUP BY pull_id, cell_id
) AS p ON p.pull_id = e.pull_id AND p.cell_id = e.cell_id
WHERE $__timeFilter(e.received_at) AND e.cell_id IN (${cell:singlequote})
GROUP BY time, cell
ORDER BY time`)
}

func ingestAgents() panel {
	return tablePanel("Agents", "The latest word of each agent, whatever the time range. Those not heard for longest come first.",
		`SELECT cell_id AS cell, received_at AS heard, spool_messages AS waiting, spool_bytes AS bytes, spool_oldest_at AS oldest, rejected_files, set_aside_messages, agent_version AS version
FROM latest_heartbeats FINAL
WHERE cell_id IN (${cell:singlequote})
ORDER BY heard, cell`,
		map[string]string{"bytes": "bytes"}, []string{"bytes"})
}

func ingestRefusals() panel {
	return tablePanel("Why messages were refused", "Refusals in the time range by reason, the most frequent first.",
		`SELECT cell_id AS cell, message, code, field, reason, count() AS refused, max(refused_at) AS last
FROM refusals FINAL
PREWHERE $__timeFilter(refused_at)
WHERE cell_id IN (${cell:singlequote})
GROUP BY cell, message, code, field, reason
ORDER BY refused DESC, cell, reason`, nil, nil)
}
