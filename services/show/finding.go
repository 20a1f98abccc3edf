package show

import (
	"fmt"
	"math"

	rollcallv1 "rollcall/proto/rollcall/v1"
)

// Span is a stretch of a record, in seconds of its own time.
func Span(start, end float64) string { return Sentence(fmt.Sprintf("%.2f to %.2f s", start, end)) }

// FindingSpan is the time a finding is of; empty: of none.
func FindingSpan(f *rollcallv1.Finding) string {
	switch start, end := f.GetStartS(), f.GetEndS(); {
	case end > start:
		return Span(start, end)
	case start != 0:
		return Sentence(fmt.Sprintf("at %.2f s", start))
	}
	return ""
}

// FindingSize is a finding's size with the unit people use; empty where it has
// none that says something.
func FindingSize(f *rollcallv1.Finding) string {
	x := f.GetSize()
	switch f.GetKind() {
	case "no_coast_down", "coast_down_short", "not_corrected", "unreadable":
		return ""
	case "outside_the_standard":
		return fmt.Sprintf("factor %.4f", x)
	case "clock":
		if f.GetSizeUnit() == "1" {
			return Count(int(math.Round(x)), "sample", "samples")
		}
	}
	switch unit := f.GetSizeUnit(); unit {
	case "":
		return ""
	case "1":
		return Sentence(fmt.Sprintf("%.3g %%", 100*x))
	case "rad":
		return Sentence(fmt.Sprintf("%.3g°", x*180/math.Pi))
	case "rad/s":
		return Sentence(fmt.Sprintf("%.3g rpm", x/RPM))
	default:
		return Sentence(fmt.Sprintf("%.3g %s", x, unit))
	}
}
