package pipeline

// Settled is Idle for those who cannot wait: while records or the fleet are
// being computed, as all through Recompute, it says no at once. Another
// replica's work it does not see.
func (p *Pipeline) Settled() bool {
	if !p.records.TryLock() {
		return false
	}
	defer p.records.Unlock()
	if !p.comparing.TryLock() {
		return false
	}
	defer p.comparing.Unlock()
	p.known.Lock()
	defer p.known.Unlock()
	return p.swept && p.queue.len() == 0 && p.arrived.len() == 0 && len(p.dirty) == 0 && p.fleetDue.IsZero()
}
