package show

import (
	"bytes"
	"testing"

	"google.golang.org/protobuf/reflect/protoregistry"
	"google.golang.org/protobuf/types/known/timestamppb"

	rollcallv1 "rollcall/proto/rollcall/v1"
)

// The expected texts are written by hand.
func TestFigures(t *testing.T) {
	x := func(v float64) *float64 { return &v }
	for _, c := range []struct{ got, want string }{
		{Signed(1.234, 2), "+1.23"}, {Signed(-1.235, 1), "−1.2"}, {Signed(0, 2), "0.00"}, {Signed(-0.001, 2), "0.00"}, {Signed(0.005, 2), "+0.01"},
		{OffPercent(x(0.0196)), "+1.96"}, {OffPercent(x(-0.0083)), "−0.83"}, {OffPercent(nil), "–"},
		{Percent(x(0.0043)), "0.43"}, {Percent(nil), "–"},
		{Scaled(x(203400), 1000, 1), "203.4"}, {Scaled(nil, 1, 1), "–"}, {Scaled(x(649.262482), RPM, 0), "6200"},
		{Sized(0.021, 0.0038, "ratio"), "+2.10 % ± 0.38 %"}, {Sized(-34.2, 4.1, "N"), "−34.2 N ± 4.1 N"}, {Sized(31.5, 9, "kg"), "+31.5 kg ± 9.0 kg"}, {Sized(35.68, 0.766, "N at the lever arm"), "+35.68 N ± 0.77 N at the lever arm"}, {Sized(-1234.5, 123, "N"), "−1234 N ± 123 N"}, {Sized(5, 0.996, "kg"), "+5.0 kg ± 1.0 kg"}, {Sized(2, 0, "N"), "+2.0 N ± 0.0 N"},
		{Sentence("Offset -1.68 % ± 0.32 % (-3.5 N), zero error -0.1 N"), "Offset −1.68 % ± 0.32 % (−3.5 N), zero error −0.1 N"},
		{Sentence("-1 -2 -3"), "−1 −2 −3"}, {Sentence("cell fen-2 on 2026-10-13, coast-down, 1e-3"), "cell fen-2 on 2026-10-13, coast-down, 1e-3"},
		{Cause("none"), "no fault of the cell"}, {Cause("load-cell gain"), "load-cell gain"},
		{Title(&rollcallv1.Flag{CellId: "fen-2", Kind: "drifting"}, "Fenwater 2"), "Fenwater 2: drifting"},
		{Title(&rollcallv1.Flag{CarId: "hazel", Kind: "reference car"}, ""), "Reference car hazel has changed"},
		{Count(1, "cell", "cells"), "1 cell"}, {Count(0, "cell", "cells"), "0 cells"},
		{Or(""), "–"}, {Or("x"), "x"},
		{At(nil), "–"}, {At(&timestamppb.Timestamp{Seconds: 1782725400}), "2026-06-29 09:30"},
		{Clean("a\x1b[31mb\nc\u0085d"), "a�[31mb�c�d"}, {Clean("Bär → 5 N·m"), "Bär → 5 N·m"},
	} {
		if c.got != c.want {
			t.Errorf("%q, want %q", c.got, c.want)
		}
	}
}

// Every completed header is that of a field there is.
func TestColumns(t *testing.T) {
	for name, column := range columns {
		d, err := protoregistry.GlobalFiles.FindDescriptorByName(name)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		if column == string(d.Name()) {
			t.Errorf("%s is written as it is anyway", name)
		}
	}
}

// A cause nobody would act on is noise; the first is always shown.
func TestCauses(t *testing.T) {
	cause := func(p float64) *rollcallv1.Cause { return &rollcallv1.Cause{Probability: p} }
	for _, c := range []struct {
		all  []*rollcallv1.Cause
		want int
	}{{nil, 0}, {[]*rollcallv1.Cause{cause(0.001)}, 1}, {[]*rollcallv1.Cause{cause(0.99), cause(0.006), cause(0.004)}, 2}} {
		if got := len(Causes(c.all)); got != c.want {
			t.Errorf("%d causes of %d, want %d", got, len(c.all), c.want)
		}
	}
}

// An absent value is an empty field or no key at all; zero is zero.
func TestPresence(t *testing.T) {
	zero := 0.0
	checks := []*rollcallv1.Check{{CheckId: "a", ZeroErrorN: &zero, Reason: "said \"so\", twice"}}
	var b bytes.Buffer
	if err := CSV(&b, checks); err != nil {
		t.Fatal(err)
	}
	want := "check_id,cell_id,kind,state,performed_at,performed_by,verdict,reason,zero_error_n,zero_expanded_uncertainty_n,gain_error_ratio,gain_expanded_uncertainty_ratio,readings,base_inertia_kg,base_inertia_expanded_uncertainty_kg,risk,standard_id,opens_epoch_at,epoch\na,,,,,,,\"said \"\"so\"\", twice\",0,,,,0,,,,,,\n"
	if b.String() != want {
		t.Errorf("CSV %q, want %q", b.String(), want)
	}
	b.Reset()
	if err := JSON(&b, checks[0]); err != nil {
		t.Fatal(err)
	}
	if s := b.String(); !bytes.Contains(b.Bytes(), []byte(`"zero_error_n": 0`)) || bytes.Contains(b.Bytes(), []byte("gain_error")) {
		t.Errorf("JSON %s", s)
	}
}
