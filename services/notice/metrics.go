package notice

import "github.com/prometheus/client_golang/prometheus"

type metrics struct {
	sent, failed, givenUp *prometheus.CounterVec
	waiting               *prometheus.GaugeVec
}

func newMetrics(reg prometheus.Registerer) metrics {
	by := []string{"receiver"}
	m := metrics{
		sent:    prometheus.NewCounterVec(prometheus.CounterOpts{Name: "rollcall_notice_sent_total", Help: "Notices that a receiver took."}, by),
		failed:  prometheus.NewCounterVec(prometheus.CounterOpts{Name: "rollcall_notice_failed_total", Help: "Attempts that a receiver did not take."}, by),
		givenUp: prometheus.NewCounterVec(prometheus.CounterOpts{Name: "rollcall_notice_given_up_total", Help: "Notices given up."}, by),
		waiting: prometheus.NewGaugeVec(prometheus.GaugeOpts{Name: "rollcall_notice_waiting_changes", Help: "Changes of state that a receiver is still to be told of."}, by),
	}
	if reg != nil {
		reg.MustRegister(m.sent, m.failed, m.givenUp, m.waiting)
	}
	return m
}
