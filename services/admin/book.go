// Package admin keeps what people decide: the registry, in versions, and the
// signed closings of flags. It serves the AdminService, and gives the other
// parts the registry as it was at any time.
package admin

import (
	"context"
	"fmt"
	"slices"
	"sync"
	"time"

	"rollcall/services/fleet"
	"rollcall/services/registry"
	"rollcall/services/store"
)

// Book is the registry in all its versions, as read from the store. Its methods
// may be called from any goroutine; what they return must not be changed.
type Book struct {
	store *store.Store

	mu       sync.Mutex
	versions []registry.Version
	// turns are the times from which a different registry holds, rising, with
	// that registry once it was asked for.
	turns []turn
}

type turn struct {
	at       time.Time
	registry *fleet.Registry
}

// NewBook returns a book without entries; Load fills it.
func NewBook(s *store.Store) *Book { return &Book{store: s} }

// Load reads every version from the store.
func (b *Book) Load(ctx context.Context) error {
	rows, err := b.store.ReadRegistry(ctx)
	if err != nil {
		return err
	}
	versions := make([]registry.Version, len(rows))
	for i, r := range rows {
		versions[i] = registry.Version{
			Kind: registry.Kind(r.Kind), ID: r.ID, EffectiveAt: r.EffectiveAt, RecordedAt: r.RecordedAt, By: r.AppliedBy, Body: []byte(r.Body),
		}
	}
	// All of them must be readable now: At has nobody to tell.
	if _, err := registry.At(versions, time.Unix(1<<40, 0)); err != nil {
		return fmt.Errorf("read the registry: %w", err)
	}
	b.set(versions)
	return nil
}

func (b *Book) set(versions []registry.Version) {
	var times []time.Time
	for _, v := range versions {
		times = append(times, v.EffectiveAt)
	}
	slices.SortFunc(times, time.Time.Compare)
	times = slices.CompactFunc(times, time.Time.Equal)
	turns := make([]turn, len(times))
	for i, t := range times {
		turns[i].at = t
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	b.versions, b.turns = versions, turns
}

// Versions returns every version recorded.
func (b *Book) Versions() []registry.Version {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.versions
}

// At returns the registry in force at t.
func (b *Book) At(t time.Time) fleet.Registry {
	b.mu.Lock()
	defer b.mu.Unlock()
	i, found := slices.BinarySearchFunc(b.turns, t, func(u turn, t time.Time) int { return u.at.Compare(t) })
	if !found {
		i--
	}
	if i < 0 {
		return fleet.Registry{}
	}
	if b.turns[i].registry == nil {
		r, err := registry.At(b.versions, b.turns[i].at)
		if err != nil {
			panic("admin: a version that Load could read cannot be read")
		}
		b.turns[i].registry = &r
	}
	return *b.turns[i].registry
}

// EffectiveAt returns from when the entry of a cell that is in force at t
// holds; the zero time where there is none.
func (b *Book) EffectiveAt(cell fleet.CellID, t time.Time) time.Time {
	b.mu.Lock()
	defer b.mu.Unlock()
	var at time.Time
	for _, v := range b.versions {
		if v.Kind == registry.KindCell && v.ID == string(cell) && !v.EffectiveAt.After(t) && v.EffectiveAt.After(at) {
			at = v.EffectiveAt
		}
	}
	return at
}

// Turns returns the times from which another registry holds, rising.
func (b *Book) Turns() []time.Time {
	b.mu.Lock()
	defer b.mu.Unlock()
	out := make([]time.Time, len(b.turns))
	for i, t := range b.turns {
		out[i] = t.at
	}
	return out
}
