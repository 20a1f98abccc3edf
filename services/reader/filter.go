package reader

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/types/known/timestamppb"

	rollcallv1 "rollcall/proto/rollcall/v1"
)

// filterFlags are the flags that narrow a list.
type filterFlags struct {
	site, cell, car, from, until string
	limit                        uint32
}

func (f *filterFlags) add(c *cobra.Command) {
	c.Flags().StringVar(&f.site, "site", "", "only this site")
	c.Flags().StringVar(&f.cell, "cell", "", "only this cell")
	c.Flags().StringVar(&f.car, "car", "", "only this reference car")
	c.Flags().StringVar(&f.from, "from", "", "from this time on: 2026-03-01, 2026-03-01T08:00:00Z, or 12h, 7d, 4w before now")
	c.Flags().StringVar(&f.until, "until", "", "before this time, written the same way")
	c.Flags().Uint32Var(&f.limit, "limit", 0, "at most this many, newest first (default 1000); it is said when there are more")
}

func (f *filterFlags) filter(now time.Time) (*rollcallv1.Filter, error) {
	out := &rollcallv1.Filter{SiteId: f.site, CellId: f.cell, CarId: f.car, Limit: f.limit}
	for _, x := range []struct {
		flag, text string
		to         **timestamppb.Timestamp
	}{{"from", f.from, &out.From}, {"until", f.until, &out.Until}} {
		if x.text == "" {
			continue
		}
		t, err := moment(x.text, now)
		if err != nil {
			return nil, &UsageError{fmt.Errorf("--%s: %w", x.flag, err)}
		}
		*x.to = timestamppb.New(t)
	}
	if out.From != nil && out.Until != nil && !out.From.AsTime().Before(out.Until.AsTime()) {
		return nil, &UsageError{fmt.Errorf("--from %s is not before --until %s", f.from, f.until)}
	}
	return out, nil
}

// moment reads a time: a date or a time in UTC, RFC 3339, or a span before now.
func moment(s string, now time.Time) (time.Time, error) {
	for _, layout := range []string{time.DateOnly, "2006-01-02 15:04", "2006-01-02 15:04:05", time.RFC3339Nano} {
		if t, err := time.Parse(layout, s); err == nil {
			return t.UTC(), nil
		}
	}
	if unit, ok := map[string]time.Duration{"h": time.Hour, "d": 24 * time.Hour, "w": 7 * 24 * time.Hour}[s[len(s)-1:]]; ok {
		if n, err := strconv.ParseUint(strings.TrimSpace(s[:len(s)-1]), 10, 16); err == nil {
			return now.Add(-time.Duration(n) * unit), nil
		}
	}
	return time.Time{}, fmt.Errorf("%q is not a time; write 2026-03-01, 2026-03-01T08:00:00Z, or 12h, 7d, 4w for that long before now", s)
}
