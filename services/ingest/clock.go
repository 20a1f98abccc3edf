package ingest

import (
	"sync"
	"time"

	"go.uber.org/zap"

	"rollcall/services/fleet"
)

// Clock is how far a cell's agent's clock was ahead of the service's, the way
// over the link included.
type Clock struct {
	Offset time.Duration
	SeenAt time.Time // by the service's clock
}

type clocks struct {
	mu     sync.Mutex
	offset map[fleet.CellID]Clock
}

// Clocks returns what is known of every cell's clock.
func (s *Server) Clocks() map[fleet.CellID]Clock {
	s.clocks.mu.Lock()
	defer s.clocks.mu.Unlock()
	all := make(map[fleet.CellID]Clock, len(s.clocks.offset))
	for cell, c := range s.clocks.offset {
		all[cell] = c
	}
	return all
}

// clockSeen notes an agent's clock and says so in the log when it is off.
func (s *Server) clockSeen(cell fleet.CellID, sentAt, now time.Time) {
	offset := sentAt.Sub(now)
	s.clocks.mu.Lock()
	s.clocks.offset[cell] = Clock{Offset: offset, SeenAt: now}
	s.clocks.mu.Unlock()
	s.metrics.clockOffset.WithLabelValues(string(cell)).Set(offset.Seconds())
	if offset.Abs() > s.config.ClockTolerance {
		s.log.Warn("agent's clock is off", zap.String("cell_id", string(cell)), zap.Duration("ahead", offset))
	}
}
