package store

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/ClickHouse/clickhouse-go/v2"

	"rollcall/services/fleet"
)

// RestatementRow is a row of restatements: somebody had the pulls that a flag
// touches restated, or took that back.
type RestatementRow struct {
	FlagID        string    `ch:"flag_id"`
	RestatedAt    time.Time `ch:"restated_at"`
	RestatementID string    `ch:"restatement_id"`
	CellID        string    `ch:"cell_id"`
	RestatedBy    string    `ch:"restated_by"`
	Reason        string    `ch:"reason"`
	TakenBack     bool      `ch:"taken_back"` // what it replaces is taken back
	Replaces      string    `ch:"replaces"`   // the act before; empty: the first
	Pulls         uint32    `ch:"pulls"`
	Kept          uint32    `ch:"kept"` // of Pulls those that could not be restated
	CodeVersion   string    `ch:"code_version"`
}

// RestatedRow is a row of restated_pulls. A name that ends in U holds an expanded
// uncertainty, k = 2. The arrays from Figure on hold one entry for each figure.
type RestatedRow struct {
	RestatementID    string     `ch:"restatement_id"`
	PullID           string     `ch:"pull_id"`
	FlagID           string     `ch:"flag_id"`
	StartedAt        time.Time  `ch:"started_at"`
	CellID           string     `ch:"cell_id"`
	CustomerCar      string     `ch:"customer_car"`
	Restated         bool       `ch:"restated"` // false: kept as stated, Note says why
	Way              string     `ch:"way"`      // by cause, by effect
	Note             string     `ch:"note"`
	Cause            string     `ch:"cause"`
	CauseProbability float64    `ch:"cause_probability"`
	Size             *float64   `ch:"size"` // in SizeUnit
	SizeU            *float64   `ch:"size_u"`
	SizeUnit         string     `ch:"size_unit"`
	SizeFrom         string     `ch:"size_from"` // checks, runs, flag
	Effect           float64    `ch:"effect"`
	EffectU          float64    `ch:"effect_u"`
	Figure           []string   `ch:"figure"`
	FigureOf         []string   `ch:"figure_of"` // peak, band mean
	Unit             []string   `ch:"unit"`
	Stated           []float64  `ch:"stated"`
	StatedU          []float64  `ch:"stated_u"`
	RestatedValue    []*float64 `ch:"restated_value"`
	RestatedU        []*float64 `ch:"restated_u"`
	Difference       []*float64 `ch:"difference"` // restated less stated
	DifferenceU      []*float64 `ch:"difference_u"`
	Epoch            string     `ch:"epoch"`
	BaseInertiaEpoch string     `ch:"base_inertia_epoch"`
	ParasiticEpoch   string     `ch:"parasitic_epoch"`
	CodeVersion      string     `ch:"code_version"`
}

// AppendRestatement keeps a restatement with its pulls, or the taking back of one.
// The act goes last: one that is seen has its pulls.
func (s *Store) AppendRestatement(ctx context.Context, act RestatementRow, pulls []RestatedRow) error {
	switch {
	case act.FlagID == "" || act.RestatementID == "" || act.RestatedBy == "" || act.Reason == "":
		return errors.New("restate: flag, id, reason and who restates are all needed")
	case act.TakenBack && (act.Replaces == "" || len(pulls) > 0):
		return errors.New("restate: what is taken back is named, and has no pulls")
	case int(act.Pulls) != len(pulls):
		return fmt.Errorf("restate: %d pulls are given, and %d said", len(pulls), act.Pulls)
	}
	for i := range pulls {
		if pulls[i].RestatementID != act.RestatementID || pulls[i].FlagID != act.FlagID {
			return errors.New("restate: a pull is of another restatement")
		}
	}
	if err := insertRows(ctx, s, "restated_pulls", pulls); err != nil {
		return err
	}
	return insertRows(ctx, s, "restatements", []RestatementRow{act})
}

var (
	selectRestatements = "SELECT " + columnsOf[RestatementRow]() + ` FROM restatements FINAL
WHERE {all:UInt8} = 1 OR has({flags:Array(String)}, flag_id) ORDER BY flag_id, restated_at, restatement_id LIMIT 1000000`
	selectRestated = "SELECT " + columnsOf[RestatedRow]() + ` FROM restated_pulls FINAL
WHERE has({ids:Array(String)}, restatement_id) ORDER BY restatement_id, started_at, pull_id LIMIT 10000000`
	selectRestatedOf = "SELECT " + columnsOf[RestatedRow]() + ` FROM restated_pulls FINAL
WHERE pull_id = {pull:String} AND restatement_id IN (SELECT restatement_id FROM restatements FINAL) ORDER BY flag_id, restatement_id LIMIT 10000`
)

// ReadRestatements returns every act of restating of flags, and of all flags where
// none is named: by flag, oldest first.
func (s *Store) ReadRestatements(ctx context.Context, flags ...fleet.FlagID) (map[fleet.FlagID][]RestatementRow, error) {
	ids := make([]string, len(flags))
	for i, id := range flags {
		ids[i] = string(id)
	}
	rows, err := selectRows[RestatementRow](ctx, s, selectRestatements, clickhouse.Named("all", boolean(len(flags) == 0)), clickhouse.Named("flags", ids))
	if err != nil {
		return nil, fmt.Errorf("read restatements: %w", err)
	}
	out := map[fleet.FlagID][]RestatementRow{}
	for _, r := range rows {
		out[fleet.FlagID(r.FlagID)] = append(out[fleet.FlagID(r.FlagID)], r)
	}
	return out, nil
}

// ReadRestated returns the pulls of restatements, by time.
func (s *Store) ReadRestated(ctx context.Context, restatements []string) (map[string][]RestatedRow, error) {
	out := map[string][]RestatedRow{}
	if len(restatements) == 0 {
		return out, nil
	}
	rows, err := selectRows[RestatedRow](ctx, s, selectRestated, clickhouse.Named("ids", restatements))
	if err != nil {
		return nil, fmt.Errorf("read restated pulls: %w", err)
	}
	for _, r := range rows {
		out[r.RestatementID] = append(out[r.RestatementID], r)
	}
	return out, nil
}

// ReadRestatedOf returns what restatements, also those that count no more, say of
// a pull.
func (s *Store) ReadRestatedOf(ctx context.Context, pull fleet.PullID) ([]RestatedRow, error) {
	rows, err := selectRows[RestatedRow](ctx, s, selectRestatedOf, clickhouse.Named("pull", string(pull)))
	if err != nil {
		return nil, fmt.Errorf("read the restatements of pull %s: %w", pull, err)
	}
	return rows, nil
}

// InForce returns the act that counts of a flag's, which are oldest first; false:
// none does.
func InForce(acts []RestatementRow) (RestatementRow, bool) {
	if len(acts) == 0 || acts[len(acts)-1].TakenBack {
		return RestatementRow{}, false
	}
	return acts[len(acts)-1], true
}
