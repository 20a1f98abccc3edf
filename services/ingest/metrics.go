package ingest

import (
	"github.com/prometheus/client_golang/prometheus"
)

type metrics struct {
	messages      *prometheus.CounterVec
	values        prometheus.Counter
	commitSeconds prometheus.Histogram
	batchMessages prometheus.Histogram
	batchBytes    prometheus.Histogram
	streams       prometheus.Gauge
	clockOffset   *prometheus.GaugeVec
	incomplete    prometheus.Counter
	dropped       *prometheus.CounterVec
}

func newMetrics(reg prometheus.Registerer) *metrics {
	m := &metrics{
		messages: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "rollcall_ingest_messages_total", Help: "Messages answered, by kind and answer."}, []string{"message", "code"}),
		values: prometheus.NewCounter(prometheus.CounterOpts{
			Name: "rollcall_ingest_values_total", Help: "Samples made durable."}),
		commitSeconds: prometheus.NewHistogram(prometheus.HistogramOpts{
			Name: "rollcall_ingest_commit_seconds", Help: "Time of a commit to the store.", Buckets: prometheus.ExponentialBuckets(0.002, 2, 13)}),
		batchMessages: prometheus.NewHistogram(prometheus.HistogramOpts{
			Name: "rollcall_ingest_batch_messages", Help: "Messages of a commit.", Buckets: prometheus.ExponentialBuckets(1, 4, 8)}),
		batchBytes: prometheus.NewHistogram(prometheus.HistogramOpts{
			Name: "rollcall_ingest_batch_bytes", Help: "Size of a commit.", Buckets: prometheus.ExponentialBuckets(1024, 4, 9)}),
		streams: prometheus.NewGauge(prometheus.GaugeOpts{
			Name: "rollcall_ingest_streams", Help: "Streams open now."}),
		clockOffset: prometheus.NewGaugeVec(prometheus.GaugeOpts{
			Name: "rollcall_ingest_clock_offset_seconds", Help: "How far an agent's clock is ahead of the service's."}, []string{"cell"}),
		incomplete: prometheus.NewCounter(prometheus.CounterOpts{
			Name: "rollcall_ingest_incomplete_pulls_total", Help: "Ends of pulls that found blocks missing."}),
		dropped: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "rollcall_ingest_dropped_rows_total", Help: "Heartbeats and refusals that could not be kept."}, []string{"table"}),
	}
	reg.MustRegister(m.messages, m.values, m.commitSeconds, m.batchMessages, m.batchBytes, m.streams, m.clockOffset, m.incomplete, m.dropped)
	return m
}
