package pipeline

import "github.com/prometheus/client_golang/prometheus"

type metrics struct {
	records, checks, failures prometheus.Counter
	pending, openFlags        prometheus.Gauge
	seconds, fleetSeconds     prometheus.Histogram
}

func newMetrics(reg prometheus.Registerer) metrics {
	m := metrics{
		records:      prometheus.NewCounter(prometheus.CounterOpts{Name: "rollcall_pipeline_records_total", Help: "Pulls and coast-downs computed."}),
		checks:       prometheus.NewCounter(prometheus.CounterOpts{Name: "rollcall_pipeline_checks_total", Help: "Calibration checks judged."}),
		failures:     prometheus.NewCounter(prometheus.CounterOpts{Name: "rollcall_pipeline_failed_rounds_total", Help: "Rounds given up, to be tried again."}),
		pending:      prometheus.NewGauge(prometheus.GaugeOpts{Name: "rollcall_pipeline_pending_records", Help: "Pulls and coast-downs waiting to be computed."}),
		openFlags:    prometheus.NewGauge(prometheus.GaugeOpts{Name: "rollcall_pipeline_open_flags", Help: "Open flags on cells and reference cars."}),
		seconds:      prometheus.NewHistogram(prometheus.HistogramOpts{Name: "rollcall_pipeline_batch_seconds", Help: "Time to compute and store a batch of records.", Buckets: prometheus.ExponentialBuckets(0.005, 2, 12)}),
		fleetSeconds: prometheus.NewHistogram(prometheus.HistogramOpts{Name: "rollcall_pipeline_fleet_seconds", Help: "Time to compare the fleet and store what it gives.", Buckets: prometheus.ExponentialBuckets(0.01, 2, 14)}),
	}
	if reg != nil {
		reg.MustRegister(m.records, m.checks, m.failures, m.pending, m.openFlags, m.seconds, m.fleetSeconds)
	}
	return m
}
