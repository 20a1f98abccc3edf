package wire

import (
	"errors"
	"maps"
	"math"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/protobuf/encoding/prototext"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protodesc"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/testing/protocmp"
	"google.golang.org/protobuf/types/descriptorpb"
	"google.golang.org/protobuf/types/dynamicpb"
	"google.golang.org/protobuf/types/known/timestamppb"
	"pgregory.net/rapid"

	pb "rollcall/proto/rollcall/v1"
	"rollcall/services/fleet"
)

const hash = "0123456789abcdef0123456789abcdef"

func someTime() *timestamppb.Timestamp {
	return timestamppb.New(time.Date(2026, 3, 14, 23, 59, 59, 5e8, time.UTC))
}

func goodBegin() *pb.PullBegin {
	return &pb.PullBegin{PullId: hash, CellId: "north-1", Kind: pb.PullKind_PULL_KIND_PULL, StartedAt: someTime(), CarId: "blue-estate",
		RampRateRadS2: proto.Float64(20), Channels: []string{"roller_speed", "load_cell", "x_fan"}}
}

func goodBlock() *pb.SampleBlock {
	m := &pb.SampleBlock{PullId: hash, CellId: "north-1", Channel: "load_cell",
		Clock:   &pb.SampleBlock_Uniform{Uniform: &pb.UniformClock{StepS: 0.01}},
		Samples: &pb.Packed{Scale: 0.5, Counts: []int32{0, 3, -2}}}
	m.Crc32C = BlockCRC(m)
	return m
}

func goodEnd() *pb.PullEnd {
	return &pb.PullEnd{PullId: hash, CellId: "north-1", Blocks: 2, Samples: 100, Checksum: 7}
}

func goodCheck() *pb.CalibrationCheck {
	return &pb.CalibrationCheck{CheckId: hash, CellId: "north-1", Kind: pb.CheckKind_CHECK_KIND_DEAD_WEIGHT, State: pb.CheckState_CHECK_STATE_AS_FOUND,
		PerformedAt: someTime(), AirPressurePa: proto.Float64(99e3), Readings: []*pb.CheckReading{
			{Cycle: 1, Direction: pb.LoadDirection_LOAD_DIRECTION_RISING, ReadingN: proto.Float64(0)},
			{Cycle: 1, Direction: pb.LoadDirection_LOAD_DIRECTION_RISING, MassIds: []string{"m-20", "m-10"}, ReadingN: proto.Float64(294.2)},
			{Cycle: 1, Direction: pb.LoadDirection_LOAD_DIRECTION_FALLING, MassIds: []string{"m-20"}},
		}}
}

// goodTransfer is a check beside a transfer load cell, with everything the
// contract has for it.
func goodTransfer() *pb.CalibrationCheck {
	return &pb.CalibrationCheck{CheckId: hash, CellId: "north-1", Kind: pb.CheckKind_CHECK_KIND_TRANSFER, State: pb.CheckState_CHECK_STATE_AS_LEFT,
		PerformedAt: someTime(), StandardId: "tlc-5k", EffectiveAt: timestamppb.New(someTime().AsTime().Add(-time.Hour)), Adjusted: proto.Bool(false),
		Readings: []*pb.CheckReading{
			{Cycle: 1, Direction: pb.LoadDirection_LOAD_DIRECTION_RISING, Preload: true, ReadingN: proto.Float64(4000), ReferenceN: proto.Float64(4001)},
			{Cycle: 1, Direction: pb.LoadDirection_LOAD_DIRECTION_RISING, Sense: pb.LoadSense_LOAD_SENSE_COMPRESSION, Mounting: 1, HeldS: proto.Float64(30),
				ReadingN: proto.Float64(-2000), ReferenceN: proto.Float64(-2001)},
		}}
}

// goodInertia is a base-inertia check: one run at a set force.
func goodInertia() *pb.CalibrationCheck {
	return &pb.CalibrationCheck{CheckId: hash, CellId: "north-1", Kind: pb.CheckKind_CHECK_KIND_BASE_INERTIA, State: pb.CheckState_CHECK_STATE_AS_LEFT,
		PerformedAt: someTime(), Readings: []*pb.CheckReading{
			{Cycle: 1, SetForceN: proto.Float64(-900), FromMps: proto.Float64(5), ToMps: proto.Float64(25), DurationS: proto.Float64(21.3)},
		}}
}

func goodTorque() *pb.CalibrationCheck {
	return &pb.CalibrationCheck{CheckId: hash, CellId: "north-1", Kind: pb.CheckKind_CHECK_KIND_TORQUE, State: pb.CheckState_CHECK_STATE_AS_FOUND,
		PerformedAt: someTime(), StandardId: "tr-2", ArmAngleRad: proto.Float64(0.01), Readings: []*pb.CheckReading{
			{Cycle: 1, Direction: pb.LoadDirection_LOAD_DIRECTION_RISING, SpeedMps: proto.Float64(3), ReadingN: proto.Float64(100), ReferenceNm: proto.Float64(35)},
		}}
}

func from(m proto.Message) error {
	var err error
	switch m := m.(type) {
	case *pb.Hello:
		_, err = FromHello(m)
	case *pb.PullBegin:
		_, err = FromPullBegin(m)
	case *pb.SampleBlock:
		_, err = FromSampleBlock(m)
	case *pb.PullEnd:
		_, err = FromPullEnd(m)
	case *pb.CalibrationCheck:
		_, err = FromCalibrationCheck(m)
	case *pb.Heartbeat:
		_, err = FromHeartbeat(m)
	}
	return err
}

func TestGood(t *testing.T) {
	for _, m := range []proto.Message{goodBegin(), goodBlock(), goodEnd(), goodCheck(), goodTransfer(), goodInertia(), goodTorque(),
		&pb.Hello{CellId: "north-1", SentAt: someTime(), ContractVersion: 1}, &pb.Heartbeat{CellId: "north-1", SentAt: someTime()}} {
		if err := from(m); err != nil {
			t.Errorf("%T: %v", m, err)
		}
	}
}

// What is wrong is refused with the field named and a word on how to mend it.
func TestRefused(t *testing.T) {
	begin := func(change func(*pb.PullBegin)) proto.Message { m := goodBegin(); change(m); return m }
	block := func(change func(*pb.SampleBlock)) proto.Message {
		m := goodBlock()
		change(m)
		m.Crc32C = BlockCRC(m)
		return m
	}
	end := func(change func(*pb.PullEnd)) proto.Message { m := goodEnd(); change(m); return m }
	check := func(change func(*pb.CalibrationCheck)) proto.Message { m := goodCheck(); change(m); return m }
	inertia := func(change func(*pb.CheckReading)) proto.Message { m := goodInertia(); change(m.Readings[0]); return m }
	times := func(p *pb.Packed) proto.Message {
		return block(func(m *pb.SampleBlock) { m.Clock = &pb.SampleBlock_Times{Times: p} })
	}
	uniform := func(start, step float64) proto.Message {
		return block(func(m *pb.SampleBlock) {
			m.Clock = &pb.SampleBlock_Uniform{Uniform: &pb.UniformClock{StartS: start, StepS: step}}
		})
	}
	samples := func(p *pb.Packed) proto.Message { return block(func(m *pb.SampleBlock) { m.Samples = p }) }
	for _, c := range []struct {
		name  string
		m     proto.Message
		field string
		says  string
	}{
		{"begin without anything", &pb.PullBegin{}, "pull_begin.pull_id", "32 lower-case hexadecimal digits"},
		{"upper-case id", begin(func(m *pb.PullBegin) { m.PullId = strings.ToUpper(hash) }), "pull_begin.pull_id", "lower-case"},
		{"no cell", begin(func(m *pb.PullBegin) { m.CellId = "" }), "pull_begin.cell_id", "is missing"},
		{"cell with space", begin(func(m *pb.PullBegin) { m.CellId = "North 1" }), "pull_begin.cell_id", `"North 1"`},
		{"unknown kind", begin(func(m *pb.PullBegin) { m.Kind = 9 }), "pull_begin.kind", "empty-roller"},
		{"empty rollers with car", begin(func(m *pb.PullBegin) { m.Kind = pb.PullKind_PULL_KIND_EMPTY_COAST_DOWN }), "pull_begin.kind", "leave car_id"},
		{"no start", begin(func(m *pb.PullBegin) { m.StartedAt = nil }), "pull_begin.started_at", "is missing"},
		{"start 1970", begin(func(m *pb.PullBegin) { m.StartedAt = &timestamppb.Timestamp{} }), "pull_begin.started_at", "before the year 2000"},
		{"start 9999", begin(func(m *pb.PullBegin) { m.StartedAt.Seconds = 253402300799 }), "pull_begin.started_at", "set the clock"},
		{"start with bad nanos", begin(func(m *pb.PullBegin) { m.StartedAt.Nanos = -1 }), "pull_begin.started_at", "no valid time"},
		{"ramp rate NaN", begin(func(m *pb.PullBegin) { m.RampRateRadS2 = proto.Float64(math.NaN()) }), "pull_begin.ramp_rate_rad_s2", "leave the field out"},
		{"ramp rate 0", begin(func(m *pb.PullBegin) { m.RampRateRadS2 = proto.Float64(0) }), "pull_begin.ramp_rate_rad_s2", "rad/s²"},
		{"unknown charging", begin(func(m *pb.PullBegin) { m.Charging = "wind" }), "pull_begin.charging", "none, turbo, mechanical"},
		{"displacement in litres", begin(func(m *pb.PullBegin) { m.DisplacementM3 = proto.Float64(2) }), "pull_begin.displacement_m3", "two litres are 0.002"},
		{"negative mass", begin(func(m *pb.PullBegin) { m.RotatingMassKg = proto.Float64(-1) }), "pull_begin.rotating_mass_kg", "kg"},
		{"unknown correction", begin(func(m *pb.PullBegin) { m.Correction = "din" }), "pull_begin.correction", "sae_j1349"},
		{"no channels", begin(func(m *pb.PullBegin) { m.Channels = nil }), "pull_begin.channels", "is empty"},
		{"unknown channel", begin(func(m *pb.PullBegin) { m.Channels[1] = "torque" }), "pull_begin.channels[1]", `"x_"`},
		{"channel twice", begin(func(m *pb.PullBegin) { m.Channels[1] = "roller_speed" }), "pull_begin.channels[1]", "second time"},
		{"label with bell", begin(func(m *pb.PullBegin) { m.Label = "a\a" }), "pull_begin.label", "U+0007"},
		{"long note", check(func(m *pb.CalibrationCheck) { m.Note = strings.Repeat("x", MaxText+1) }), "calibration_check.note", "shorten"},
		{"large header", begin(func(m *pb.PullBegin) {
			m.Header = map[string]string{}
			for _, k := range strings.Split("abcdefghijklmnopqrst", "") {
				m.Header[k] = strings.Repeat("y", MaxText)
			}
		}), "pull_begin.header", "at most"},

		{"block of unknown channel", block(func(m *pb.SampleBlock) { m.Channel = "x_" }), "sample_block.channel", "no known channel"},
		{"block index too high", block(func(m *pb.SampleBlock) { m.BlockIndex = MaxBlocks }), "sample_block.block_index", "at most"},
		{"no samples", samples(nil), "sample_block.samples", "is empty"},
		{"counts and values", samples(&pb.Packed{Scale: 1, Counts: []int32{1}, Values: []float64{1}}), "sample_block.samples", "one of them only"},
		{"too many", samples(&pb.Packed{Scale: 1, Counts: make([]int32, MaxBlockSamples+1)}), "sample_block.samples", "split"},
		{"scale forgotten", samples(&pb.Packed{Counts: []int32{1, 2, 3}}), "sample_block.samples.scale", "not 0"},
		{"scale NaN", samples(&pb.Packed{Scale: math.NaN(), Counts: []int32{1, 2, 3}}), "sample_block.samples.scale", "finite"},
		{"offset Inf", samples(&pb.Packed{Scale: 1, Offset: math.Inf(1), Counts: []int32{1, 2, 3}}), "sample_block.samples.offset", "finite"},
		{"scale with values", samples(&pb.Packed{Scale: 1, Values: []float64{1, 2, 3}}), "sample_block.samples", "leave both out"},
		{"NaN sample", samples(&pb.Packed{Values: []float64{1, 2, math.NaN()}}), "sample_block.samples.values[2]", "leave out samples"},
		{"infinite sample", samples(&pb.Packed{Values: []float64{1, math.Inf(-1), 2}}), "sample_block.samples.values[1]", "leave out samples"},
		{"huge sample", samples(&pb.Packed{Values: []float64{1, 2, 1e13}}), "sample_block.samples.values[2]", "check the unit"},
		{"huge count", samples(&pb.Packed{Scale: 1e4, Counts: []int32{1, 2, math.MaxInt32}}), "sample_block.samples.counts[2]", "check the unit"},
		{"no clock", block(func(m *pb.SampleBlock) { m.Clock = nil }), "sample_block.clock", "is missing"},
		{"clock of nothing", block(func(m *pb.SampleBlock) { m.Clock = &pb.SampleBlock_Uniform{} }), "sample_block.uniform.step_s", "above 0"},
		{"step 0", uniform(0, 0), "sample_block.uniform.step_s", "above 0"},
		{"step NaN", uniform(0, math.NaN()), "sample_block.uniform.step_s", "above 0"},
		{"step below the resolution", uniform(80000, 1e-12), "sample_block.uniform.step_s", "too small"},
		{"start negative", uniform(-0.1, 0.01), "sample_block.uniform.start_s", "started_at"},
		{"longer than a day", uniform(86000, 300), "sample_block.uniform.step_s", "shorter than a day"},
		{"fewer times", times(&pb.Packed{Scale: 0.01, Counts: []int32{0, 1}}), "sample_block.times", "2 times for 3 samples"},
		{"times backwards", times(&pb.Packed{Scale: 0.01, Counts: []int32{0, 2, 1}}), "sample_block.times[2]", "have to rise"},
		{"time twice", times(&pb.Packed{Values: []float64{0, 1, 1}}), "sample_block.times[2]", "have to rise"},
		{"time negative", times(&pb.Packed{Values: []float64{-1, 1, 2}}), "sample_block.times[0]", "not negative"},
		{"time NaN", times(&pb.Packed{Values: []float64{0, math.NaN(), 1}}), "sample_block.times.values[1]", "NaN"},
		{"time past a day", times(&pb.Packed{Values: []float64{0, 1, 1e5}}), "sample_block.times.values[2]", "86400"},

		{"end of nothing", end(func(m *pb.PullEnd) { m.Blocks = 0 }), "pull_end.blocks", "one block"},
		{"end with too few samples", end(func(m *pb.PullEnd) { m.Samples = 1 }), "pull_end.samples", "one sample"},
		{"end with too many samples", end(func(m *pb.PullEnd) { m.Samples = 1e9 }), "pull_end.samples", "at most"},

		{"check kind", check(func(m *pb.CalibrationCheck) { m.Kind = 0 }), "calibration_check.kind", "dead weight"},
		{"check state", check(func(m *pb.CalibrationCheck) { m.State = 0 }), "calibration_check.state", "as found"},
		{"pressure in hPa", check(func(m *pb.CalibrationCheck) { m.AirPressurePa = proto.Float64(990) }), "calibration_check.air_pressure_pa", "in Pa"},
		{"celsius", check(func(m *pb.CalibrationCheck) { m.AirTemperatureK = proto.Float64(21) }), "calibration_check.air_temperature_k", "in K"},
		{"percent", check(func(m *pb.CalibrationCheck) { m.RelativeHumidity = proto.Float64(45) }), "calibration_check.relative_humidity", "0.45"},
		{"no readings", check(func(m *pb.CalibrationCheck) { m.Readings = nil }), "calibration_check.readings", "one reading"},
		{"reading NaN", check(func(m *pb.CalibrationCheck) { m.Readings[1].ReadingN = proto.Float64(math.NaN()) }), "calibration_check.readings[1].reading_n", "NaN"},
		{"mass id", check(func(m *pb.CalibrationCheck) { m.Readings[1].MassIds[0] = "20 kg" }), "calibration_check.readings[1].mass_ids[0]", "20 kg"},
		{"simulated in a zero check", check(func(m *pb.CalibrationCheck) {
			m.Kind = pb.CheckKind_CHECK_KIND_ZERO
			m.Readings = []*pb.CheckReading{{ReadingN: proto.Float64(5), SimulatedN: proto.Float64(5)}}
		}), "calibration_check.readings[0].simulated_n", `kind "shunt"`},
		{"unknown check kind", check(func(m *pb.CalibrationCheck) { m.Kind = 8 }), "calibration_check.kind", "base inertia"},
		{"standard id", check(func(m *pb.CalibrationCheck) { m.StandardId = "TLC 5" }), "calibration_check.standard_id", "reference standard"},
		{"angle in degrees", check(func(m *pb.CalibrationCheck) { m.ArmAngleRad = proto.Float64(5) }), "calibration_check.arm_angle_rad", "in rad"},
		{"effective a year off", check(func(m *pb.CalibrationCheck) {
			m.EffectiveAt = timestamppb.New(someTime().AsTime().AddDate(-2, 0, 0))
		}), "calibration_check.effective_at", "more than a year"},
		{"effective before 2000", check(func(m *pb.CalibrationCheck) { m.EffectiveAt = &timestamppb.Timestamp{} }), "calibration_check.effective_at", "year 2000"},
		{"sense", check(func(m *pb.CalibrationCheck) { m.Readings[0].Sense = 3 }), "calibration_check.readings[0].sense", "compression"},
		{"direction", check(func(m *pb.CalibrationCheck) { m.Readings[0].Direction = 3 }), "calibration_check.readings[0].direction", "falling"},
		{"mounting", check(func(m *pb.CalibrationCheck) { m.Readings[0].Mounting = 5000 }), "calibration_check.readings[0].mounting", "0, 1, 2"},
		{"held backwards", check(func(m *pb.CalibrationCheck) { m.Readings[0].HeldS = proto.Float64(-1) }), "calibration_check.readings[0].held_s", "seconds"},
		{"speed in km/h", check(func(m *pb.CalibrationCheck) { m.Readings[0].SpeedMps = proto.Float64(300) }), "calibration_check.readings[0].speed_mps", "m/s"},
		{"reference of a dead weight", check(func(m *pb.CalibrationCheck) { m.Readings[0].ReferenceN = proto.Float64(3) }), "calibration_check.readings[0].reference_n", "transfer load cell"},
		{"torque of a dead weight", check(func(m *pb.CalibrationCheck) { m.Readings[0].ReferenceNm = proto.Float64(3) }), "calibration_check.readings[0].reference_nm", "torque reference"},
		{"run of a dead weight", check(func(m *pb.CalibrationCheck) { m.Readings[0].DurationS = proto.Float64(3) }), "calibration_check.readings[0].duration_s", "base inertia"},
		{"run backwards in time", inertia(func(r *pb.CheckReading) { r.DurationS = proto.Float64(-3) }), "calibration_check.readings[0].duration_s", "seconds"},
		{"run without end", inertia(func(r *pb.CheckReading) { r.ToMps = proto.Float64(math.Inf(1)) }), "calibration_check.readings[0].to_mps", "Inf"},
		{"set force NaN", inertia(func(r *pb.CheckReading) { r.SetForceN = proto.Float64(math.NaN()) }), "calibration_check.readings[0].set_force_n", "NaN"},

		{"hello of another contract", &pb.Hello{CellId: "a", SentAt: someTime(), ContractVersion: 2}, "hello.contract_version", "install"},
		{"hello without clock", &pb.Hello{CellId: "a", ContractVersion: 1}, "hello.sent_at", "is missing"},
		{"heartbeat without cell", &pb.Heartbeat{SentAt: someTime()}, "heartbeat.cell_id", "is missing"},
		{"spool from 1970", &pb.Heartbeat{CellId: "a", SentAt: someTime(), SpoolOldestAt: &timestamppb.Timestamp{}}, "heartbeat.spool_oldest_at", "2000"},
	} {
		t.Run(c.name, func(t *testing.T) {
			err := from(c.m)
			field, reason, ok := Explain(err)
			if !ok {
				t.Fatalf("accepted, or no FieldError: %v", err)
			}
			if field != c.field || !strings.Contains(reason, c.says) {
				t.Errorf("got %s: %s\nwant field %s and %q", field, reason, c.field, c.says)
			}
			var one *FieldError
			if !errors.As(err, &one) || one.Field != c.field {
				t.Errorf("errors.As found %v", one)
			}
		})
	}
}

func TestDamagedBlock(t *testing.T) {
	m := goodBlock()
	m.Samples.Counts[1]++
	field, reason, _ := Explain(from(m))
	if field != "sample_block.crc32c" || !strings.Contains(reason, "damaged") {
		t.Errorf("got %s: %s", field, reason)
	}
}

// All problems of a message are told at once, up to a bound.
func TestAllProblems(t *testing.T) {
	var all FieldErrors
	err := from(&pb.PullBegin{CarId: "X", Correction: "x"})
	if !errors.As(err, &all) || len(all) != 7 {
		t.Fatalf("want 7 problems (pull_id, cell_id, kind, started_at, car_id, correction, channels), got %v", err)
	}
	many := goodBegin()
	for range 100 {
		many.Channels = append(many.Channels, "roller_speed")
	}
	if err := from(many); !errors.As(err, &all) || len(all) != maxProblems {
		t.Errorf("want %d problems, got %v", maxProblems, err)
	}
}

// 0 N is a measurement, an absent reading is none.
func TestPresence(t *testing.T) {
	check, err := FromCalibrationCheck(goodCheck())
	if err != nil {
		t.Fatal(err)
	}
	if f := check.Readings[0].Force; f == nil || *f != 0 {
		t.Errorf("0 N became %v", f)
	}
	if f := check.Readings[2].Force; f != nil {
		t.Errorf("an absent reading became %v", *f)
	}
	if check.AirTemperature != nil {
		t.Errorf("an absent temperature became %v", *check.AirTemperature)
	}
}

// What is not enough to judge by is kept: the judge says what is wrong.
func TestUnjudgedIsAccepted(t *testing.T) {
	for name, change := range map[string]func(*pb.CalibrationCheck){
		"no reading has a number": func(m *pb.CalibrationCheck) { m.Readings = m.Readings[2:] },
		"a mass twice":            func(m *pb.CalibrationCheck) { m.Readings[1].MassIds[1] = "m-20" },
		"no direction":            func(m *pb.CalibrationCheck) { m.Readings[0].Direction = 0 },
		"masses in a zero check":  func(m *pb.CalibrationCheck) { m.Kind = pb.CheckKind_CHECK_KIND_ZERO },
		"a shunt without force":   func(m *pb.CalibrationCheck) { m.Kind = pb.CheckKind_CHECK_KIND_SHUNT },
		"a standard not named":    func(m *pb.CalibrationCheck) { m.Kind = pb.CheckKind_CHECK_KIND_TRANSFER },
	} {
		m := goodCheck()
		change(m)
		c, err := FromCalibrationCheck(m)
		if err != nil {
			t.Errorf("%s: refused: %v", name, err)
			continue
		}
		if diff := cmp.Diff(m, ToCalibrationCheck(c), protocmp.Transform()); diff != "" {
			t.Errorf("%s: not kept as it was sent: %s", name, diff)
		}
	}
}

// A check that an agent of the released contract sends is read as it was meant:
// its bytes are made with that contract's own description.
func TestCheckOfReleasedContract(t *testing.T) {
	data, err := os.ReadFile("../../proto/released.binpb")
	if err != nil {
		t.Fatal(err)
	}
	var set descriptorpb.FileDescriptorSet
	if err := proto.Unmarshal(data, &set); err != nil {
		t.Fatal(err)
	}
	files, err := protodesc.NewFiles(&set)
	if err != nil {
		t.Fatal(err)
	}
	d, err := files.FindDescriptorByName("rollcall.v1.CalibrationCheck")
	if err != nil {
		t.Fatal(err)
	}
	old := dynamicpb.NewMessage(d.(protoreflect.MessageDescriptor))
	const text = `check_id: "` + hash + `" cell_id: "north-1" kind: CHECK_KIND_SHUNT state: CHECK_STATE_AS_LEFT performed_at {seconds: 1773532799}
performed_by: "A. Ferris" air_temperature_k: 293.15 note: "warm" agent_version: "1"
readings {cycle: 2 direction: LOAD_DIRECTION_FALLING reading_n: 0 simulated_n: 1000} readings {cycle: 2}`
	if err := prototext.Unmarshal([]byte(text), old); err != nil {
		t.Fatal(err)
	}
	bytes, err := proto.Marshal(old)
	if err != nil {
		t.Fatal(err)
	}
	m := new(pb.CalibrationCheck)
	if err := proto.Unmarshal(bytes, m); err != nil {
		t.Fatal(err)
	}
	got, err := FromCalibrationCheck(m)
	if err != nil {
		t.Fatal(err)
	}
	zero, thousand, warm := 0.0, 1000.0, 293.15
	want := fleet.Check{ID: hash, Cell: "north-1", Kind: fleet.CheckShunt, State: fleet.AsLeft, PerformedAt: time.Unix(1773532799, 0).UTC(), PerformedBy: "A. Ferris",
		AirTemperature: &warm, Note: "warm", AgentVersion: "1",
		Readings: []fleet.Reading{{Cycle: 2, Direction: fleet.Falling, Force: &zero, Simulated: &thousand}, {Cycle: 2}}}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
	// And an agent of the released contract can be told what this one says.
	back, err := proto.Marshal(ToCalibrationCheck(got))
	if err != nil {
		t.Fatal(err)
	}
	again := dynamicpb.NewMessage(d.(protoreflect.MessageDescriptor))
	if err := proto.Unmarshal(back, again); err != nil || !proto.Equal(old, again) {
		t.Errorf("the released contract reads %v, %v", again, err)
	}
}

// A reference pull always has a session; a customer's keeps none.
func TestSession(t *testing.T) {
	m := goodBegin()
	pull, err := FromPullBegin(m)
	if err != nil || pull.Session != "2026-03-14" {
		t.Errorf("session %q, %v", pull.Session, err)
	}
	m.Session = "week 11"
	if pull, err = FromPullBegin(m); err != nil || pull.Session != "week 11" {
		t.Errorf("session %q, %v", pull.Session, err)
	}
	m.CarId, m.Session, m.CustomerCar = "", "", "a red one"
	if pull, err = FromPullBegin(m); err != nil || pull.Session != "" {
		t.Errorf("session %q, %v", pull.Session, err)
	}
}

func TestNotAhead(t *testing.T) {
	clock := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
	if err := NotAhead("pull_begin.started_at", clock.Add(MaxAhead), clock); err != nil {
		t.Error(err)
	}
	if err := NotAhead("pull_begin.started_at", clock.Add(MaxAhead+1), clock); err == nil {
		t.Error("accepted")
	}
}

func TestMissing(t *testing.T) {
	sums := []BlockSum{
		{"load_cell", 0, 1, 10}, {"load_cell", 1, 2, 10}, {"load_cell", 2, 3, 10}, {"load_cell", 3, 4, 10},
		{"roller_speed", 0, 5, 10}, {"roller_speed", 1, 6, 4},
	}
	end := NewEnd(hash, "north-1", sums)
	if end.Blocks != 6 || end.Samples != 54 {
		t.Fatalf("end %+v", end)
	}
	changed := slices.Clone(sums)
	changed[2].CRC++
	for _, c := range []struct {
		name string
		sums []BlockSum
		want string
	}{
		{"whole", sums, ""},
		{"nothing", nil, "0 of 6 blocks and 0 of 54 samples are stored"},
		{"gaps", []BlockSum{sums[0], sums[3], sums[5]},
			"3 of 6 blocks and 24 of 54 samples are stored; not there: blocks 1 to 2 of load_cell, block 0 of roller_speed"},
		{"last one", sums[:5], "5 of 6 blocks and 50 of 54 samples are stored"},
		{"too many", append(slices.Clone(sums), BlockSum{"load_cell", 4, 9, 1}), "7 blocks are stored, the pull's end says 6"},
	} {
		if got := Missing(end, c.sums); got != c.want {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
		}
	}
	if got := Missing(end, changed); !strings.Contains(got, "not those sent") {
		t.Errorf("changed block: %q", got)
	}
}

func TestPack(t *testing.T) {
	values := []float64{0, 0.1, 0.3, -12.7}
	if p := Pack(values, 0.1, 0); p.Counts == nil || !slices.Equal(p.Counts, []int32{0, 1, 3, -127}) {
		t.Errorf("tenths: %+v", p)
	}
	for _, v := range []float64{0.3000001, 1e300, math.NaN(), math.Inf(1)} {
		if p := Pack([]float64{v}, 0.1, 0); p.Counts != nil || math.Float64bits(p.Values[0]) != math.Float64bits(v) {
			t.Errorf("%v became %+v", v, p)
		}
	}
	if p := Pack(nil, 1, 0); p.Len() != 0 {
		t.Errorf("nothing became %+v", p)
	}
}

func TestPackGivesBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		values := rapid.SliceOf(rapid.OneOf(rapid.Float64(), rapid.Custom(func(t *rapid.T) float64 {
			return float64(rapid.Int32().Draw(t, "count")) * 0.01
		}))).Draw(t, "values")
		scale := rapid.SampledFrom([]float64{0, 0.01, 1, -2, 1e-300}).Draw(t, "scale")
		offset := rapid.SampledFrom([]float64{0, 1}).Draw(t, "offset")
		p := Pack(values, scale, offset)
		got := p.Expand(nil)
		if len(got) != len(values) || p.Len() != len(values) {
			t.Fatalf("%v became %v", values, got)
		}
		for i, v := range values {
			// 1e-15 is a little above packTolerance.
			if got[i] != p.At(i) || math.Abs(got[i]-v) > 1e-15*max(math.Abs(v), offset) {
				t.Fatalf("%v became %v", v, got[i])
			}
		}
	})
}

// drawPacked draws numbers that are valid: rising ones for times.
func drawPacked(t *rapid.T, n int, rising bool) Packed {
	p := Packed{}
	if rapid.Bool().Draw(t, "counts") {
		p.Scale = rapid.SampledFrom([]float64{0.001, 0.01, 0.5}).Draw(t, "scale")
		p.Offset = rapid.SampledFrom([]float64{0, 2.5}).Draw(t, "offset")
		for i := range n {
			c := rapid.Int32Range(0, 50).Draw(t, "step")
			if rising && i > 0 {
				c += p.Counts[i-1] + 1
			}
			p.Counts = append(p.Counts, c)
		}
		return p
	}
	last := 0.0
	for range n {
		v := rapid.Float64Range(-1e6, 1e6).Draw(t, "value")
		if rising {
			last += 1e-3 + math.Abs(v)/1e6
			v = last
		}
		p.Values = append(p.Values, v)
	}
	return p
}

func drawID(t *rapid.T, name string) string {
	return rapid.StringMatching(`[a-z0-9]([a-z0-9-]{0,20}[a-z0-9])?`).Draw(t, name)
}

func drawHash(t *rapid.T) string { return rapid.StringMatching(`[0-9a-f]{32}`).Draw(t, "hash") }

func drawTime(t *rapid.T) time.Time {
	return time.Unix(rapid.Int64Range(Earliest.Unix(), Latest.Unix()-1).Draw(t, "seconds"), rapid.Int64Range(0, 999999999).Draw(t, "nanos")).UTC()
}

func drawText(t *rapid.T, name string) string {
	return rapid.StringMatching(`[ -~äß°\t\n]{0,40}`).Draw(t, name)
}

func drawOptional(t *rapid.T, low, high float64) *float64 {
	if !rapid.Bool().Draw(t, "present") {
		return nil
	}
	v := rapid.Float64Range(low, high).Draw(t, "number")
	return &v
}

func drawChannels(t *rapid.T) []fleet.Channel {
	known := append(slices.Sorted(maps.Keys(fleet.Channels)), "x_fan", "x_oil_2")
	return rapid.SliceOfNDistinct(rapid.SampledFrom(known), 1, 8, rapid.ID[fleet.Channel]).Draw(t, "channels")
}

// FromX∘ToX is the identity on every valid value, over the bytes of the wire.
func TestRoundTrip(t *testing.T) {
	through := func(t *rapid.T, m, into proto.Message) {
		bytes, err := proto.Marshal(m)
		if err != nil {
			t.Fatal(err)
		}
		if err := proto.Unmarshal(bytes, into); err != nil {
			t.Fatal(err)
		}
	}
	same := func(t *rapid.T, want, got any, err error) {
		if err != nil {
			t.Fatalf("refused: %v", err)
		}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Fatal(diff)
		}
	}
	t.Run("pull", rapid.MakeCheck(func(t *rapid.T) {
		want := fleet.Pull{ID: fleet.PullID(drawHash(t)), Cell: fleet.CellID(drawID(t, "cell")), StartedAt: drawTime(t),
			Kind:  rapid.SampledFrom([]fleet.Kind{fleet.KindPull, fleet.KindCoastDown, fleet.KindEmptyCoastDown}).Draw(t, "kind"),
			Label: drawText(t, "label"), Session: drawText(t, "session"), RampRate: drawOptional(t, 1, 100),
			RotatingMass: drawOptional(t, 0, 100), CoastingMass: drawOptional(t, 0, 100), Channels: drawChannels(t), AgentVersion: drawText(t, "version"),
			SetUp: drawText(t, "set-up"), Displacement: drawOptional(t, 1e-6, 1),
			Charging:   rapid.SampledFrom(append([]fleet.Charging{""}, fleet.Chargings...)).Draw(t, "charging"),
			Correction: rapid.SampledFrom(append([]fleet.Correction{""}, fleet.Corrections...)).Draw(t, "correction")}
		if rapid.Bool().Draw(t, "header") {
			want.Header = map[string]string{"Software": drawText(t, "software")}
		}
		if want.Kind != fleet.KindEmptyCoastDown {
			if want.Car, want.CustomerCar = fleet.CarID(drawID(t, "car")), drawText(t, "customer"); want.Session == "" {
				want.Session = SessionOf(want.StartedAt)
			}
		}
		m := new(pb.PullBegin)
		through(t, ToPullBegin(want), m)
		got, err := FromPullBegin(m)
		same(t, want, got, err)
	}))
	t.Run("block", rapid.MakeCheck(func(t *rapid.T) {
		n := rapid.IntRange(1, 30).Draw(t, "samples")
		want := Block{Pull: fleet.PullID(drawHash(t)), Cell: fleet.CellID(drawID(t, "cell")), Channel: drawChannels(t)[0],
			Index: rapid.Uint32Range(0, MaxBlocks-1).Draw(t, "index"), Samples: drawPacked(t, n, false)}
		if rapid.Bool().Draw(t, "uniform") {
			want.Start, want.Step = rapid.Float64Range(0, 1000).Draw(t, "start"), rapid.Float64Range(1e-6, 1).Draw(t, "step")
		} else {
			want.Times = drawPacked(t, n, true)
		}
		sent := ToSampleBlock(want)
		want.CRC = sent.Crc32C
		m := new(pb.SampleBlock)
		through(t, sent, m)
		got, err := FromSampleBlock(m)
		same(t, want, got, err)
	}))
	t.Run("check", rapid.MakeCheck(func(t *rapid.T) {
		want := fleet.Check{ID: fleet.CheckID(drawHash(t)), Cell: fleet.CellID(drawID(t, "cell")),
			Kind:  fleet.CheckKind(rapid.IntRange(int(fleet.CheckDeadWeight), int(fleet.CheckBaseInertia)).Draw(t, "kind")),
			State: rapid.SampledFrom([]fleet.CheckState{fleet.AsFound, fleet.AsLeft}).Draw(t, "state"), PerformedAt: drawTime(t), PerformedBy: drawText(t, "by"),
			AirPressure: drawOptional(t, 30e3, 120e3), AirTemperature: drawOptional(t, 200, 350), Humidity: drawOptional(t, 0, 1),
			Note: drawText(t, "note"), AgentVersion: drawText(t, "version"), ArmAngle: drawOptional(t, -1.5, 1.5)}
		if rapid.Bool().Draw(t, "standard") {
			want.Standard = fleet.StandardID(drawID(t, "standard id"))
		}
		if rapid.Bool().Draw(t, "said") {
			adjusted := rapid.Bool().Draw(t, "adjusted")
			want.Adjusted = &adjusted
		}
		if rapid.Bool().Draw(t, "effective") {
			want.EffectiveAt = want.PerformedAt.Add(time.Duration(rapid.IntRange(-1000, 1000).Draw(t, "minutes")) * time.Minute)
			if want.EffectiveAt.Before(Earliest) || !want.EffectiveAt.Before(Latest) {
				want.EffectiveAt = time.Time{}
			}
		}
		for range rapid.IntRange(1, 6).Draw(t, "readings") {
			r := fleet.Reading{Cycle: rapid.IntRange(0, 9).Draw(t, "cycle"), Direction: rapid.SampledFrom([]fleet.Direction{fleet.Rising, fleet.Falling}).Draw(t, "direction"),
				Force: drawOptional(t, -1e4, 1e4), Preload: rapid.Bool().Draw(t, "preload"), Sense: rapid.SampledFrom([]fleet.Sense{fleet.SenseUnsaid, fleet.Tension, fleet.Compression}).Draw(t, "sense"),
				Mounting: rapid.IntRange(0, 9).Draw(t, "mounting"), Held: drawOptional(t, 0, 100), Speed: drawOptional(t, -70, 70)}
			switch want.Kind {
			case fleet.CheckDeadWeight:
				for _, id := range rapid.SliceOfNDistinct(rapid.SampledFrom([]string{"m-1", "m-2", "m-3"}), 0, 3, rapid.ID[string]).Draw(t, "masses") {
					r.Masses = append(r.Masses, fleet.MassID(id))
				}
			case fleet.CheckShunt:
				v := rapid.Float64Range(-1e4, 1e4).Draw(t, "simulated")
				r.Simulated = &v
			case fleet.CheckTransfer, fleet.CheckTorque:
				r.Reference = drawOptional(t, -1e4, 1e4)
			case fleet.CheckBaseInertia:
				r.SetForce, r.From, r.To, r.Duration = drawOptional(t, -1e4, 1e4), drawOptional(t, -70, 70), drawOptional(t, -70, 70), drawOptional(t, 0, 100)
			}
			want.Readings = append(want.Readings, r)
		}
		zero := 0.0
		want.Readings[0].Force = &zero
		m := new(pb.CalibrationCheck)
		through(t, ToCalibrationCheck(want), m)
		got, err := FromCalibrationCheck(m)
		same(t, want, got, err)
	}))
	t.Run("end, hello, heartbeat", rapid.MakeCheck(func(t *rapid.T) {
		cell := fleet.CellID(drawID(t, "cell"))
		end := End{Pull: fleet.PullID(drawHash(t)), Cell: cell, Blocks: rapid.Uint32Range(1, 1000).Draw(t, "blocks"), Checksum: rapid.Uint32().Draw(t, "sum")}
		end.Samples = uint64(end.Blocks) * rapid.Uint64Range(1, MaxBlockSamples).Draw(t, "samples")
		gotEnd, err := FromPullEnd(ToPullEnd(end))
		same(t, end, gotEnd, err)
		hello := Hello{Cell: cell, AgentVersion: drawText(t, "version"), SentAt: drawTime(t)}
		gotHello, err := FromHello(ToHello(hello))
		same(t, hello, gotHello, err)
		beat := Heartbeat{Cell: cell, SentAt: drawTime(t), SpoolMessages: rapid.Uint64().Draw(t, "messages"), SpoolBytes: rapid.Uint64().Draw(t, "bytes"),
			RejectedFiles: rapid.Uint64().Draw(t, "rejected"), SetAside: rapid.Uint64().Draw(t, "aside"), AgentVersion: drawText(t, "agent")}
		if rapid.Bool().Draw(t, "oldest") {
			beat.SpoolOldestAt = drawTime(t)
		}
		gotBeat, err := FromHeartbeat(ToHeartbeat(beat))
		same(t, beat, gotBeat, err)
	}))
}

var (
	idPattern      = regexp.MustCompile(`^[a-z0-9]([a-z0-9-]{0,62}[a-z0-9])?$`)
	hashPattern    = regexp.MustCompile(`^[0-9a-f]{32}$`)
	channelPattern = regexp.MustCompile(`^x_[a-z0-9_]{1,62}$`)
)

// FuzzAcceptedMeansValid sends any bytes as a request: what is accepted obeys
// the contract, checked here in other words than the validation's own, and
// gives the same message back.
func FuzzAcceptedMeansValid(f *testing.F) {
	for _, r := range []*pb.StreamRequest{
		{Sequence: 1, Body: &pb.StreamRequest_PullBegin{PullBegin: goodBegin()}},
		{Sequence: 2, Body: &pb.StreamRequest_SampleBlock{SampleBlock: goodBlock()}},
		{Sequence: 3, Body: &pb.StreamRequest_PullEnd{PullEnd: goodEnd()}},
		{Sequence: 4, Body: &pb.StreamRequest_CalibrationCheck{CalibrationCheck: goodCheck()}},
		{Sequence: 5, Body: &pb.StreamRequest_CalibrationCheck{CalibrationCheck: goodTransfer()}},
		{Sequence: 6, Body: &pb.StreamRequest_CalibrationCheck{CalibrationCheck: goodInertia()}},
		{Sequence: 7, Body: &pb.StreamRequest_CalibrationCheck{CalibrationCheck: goodTorque()}},
		{Body: &pb.StreamRequest_Hello{Hello: &pb.Hello{CellId: "north-1", SentAt: someTime(), ContractVersion: 1}}},
		{Body: &pb.StreamRequest_Heartbeat{Heartbeat: &pb.Heartbeat{CellId: "north-1", SentAt: someTime(), SpoolOldestAt: someTime()}}},
	} {
		bytes, err := proto.Marshal(r)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(bytes)
	}
	f.Fuzz(func(t *testing.T, bytes []byte) {
		var r pb.StreamRequest
		if proto.Unmarshal(bytes, &r) != nil {
			return
		}
		matches := func(pattern *regexp.Regexp, s string) {
			if !pattern.MatchString(s) {
				t.Errorf("accepted %q, which is not %s", s, pattern)
			}
		}
		channel := func(c fleet.Channel) {
			if _, known := fleet.Channels[c]; !known {
				matches(channelPattern, string(c))
			}
		}
		instant := func(at time.Time) {
			if at.Year() < 2000 || at.Year() > 2261 {
				t.Errorf("accepted the time %v", at)
			}
		}
		finite := func(numbers ...float64) {
			for _, v := range numbers {
				if math.IsNaN(v) || math.Abs(v) > 1e12 {
					t.Errorf("accepted the number %v", v)
				}
			}
		}
		optional := func(numbers ...*float64) {
			for _, v := range numbers {
				if v != nil {
					finite(*v)
				}
			}
		}
		// Unknown fields of a later contract are dropped, so they are not compared.
		again := func(want, got proto.Message) {
			want.ProtoReflect().SetUnknown(nil)
			if diff := cmp.Diff(want, got, protocmp.Transform(), protocmp.IgnoreUnknown()); diff != "" {
				t.Errorf("not the same again: %s", diff)
			}
		}
		switch body := r.Body.(type) {
		case *pb.StreamRequest_Hello:
			if h, err := FromHello(body.Hello); err == nil {
				matches(idPattern, string(h.Cell))
				instant(h.SentAt)
				again(body.Hello, ToHello(h))
			}
		case *pb.StreamRequest_PullBegin:
			if p, err := FromPullBegin(body.PullBegin); err == nil {
				matches(hashPattern, string(p.ID))
				matches(idPattern, string(p.Cell))
				instant(p.StartedAt)
				optional(p.RampRate, p.RotatingMass, p.CoastingMass, p.Displacement)
				for i, c := range p.Channels {
					channel(c)
					if slices.Contains(p.Channels[:i], c) {
						t.Errorf("accepted channel %s twice", c)
					}
				}
				if p.Car != "" {
					matches(idPattern, string(p.Car))
					if p.Session == "" {
						t.Error("a reference pull without session")
					}
				}
				if body.PullBegin.Session == "" {
					p.Session = ""
				}
				again(body.PullBegin, ToPullBegin(p))
			}
		case *pb.StreamRequest_SampleBlock:
			if b, err := FromSampleBlock(body.SampleBlock); err == nil {
				matches(hashPattern, string(b.Pull))
				matches(idPattern, string(b.Cell))
				channel(b.Channel)
				samples := b.Samples.Expand(nil)
				finite(samples...)
				times := b.Times.Expand(nil)
				if len(times) == 0 {
					for i := range samples {
						times = append(times, b.Start+float64(float64(i)*b.Step))
					}
				}
				finite(times...)
				if len(samples) == 0 || len(samples) > 65536 || len(times) != len(samples) {
					t.Errorf("accepted %d samples with %d times", len(samples), len(times))
				}
				for i := 1; i < len(times); i++ {
					if !(times[i] > times[i-1]) {
						t.Fatalf("accepted the time %v after %v", times[i], times[i-1])
					}
				}
				again(body.SampleBlock, ToSampleBlock(b))
			}
		case *pb.StreamRequest_PullEnd:
			if e, err := FromPullEnd(body.PullEnd); err == nil {
				matches(hashPattern, string(e.Pull))
				matches(idPattern, string(e.Cell))
				if e.Blocks == 0 || e.Samples == 0 {
					t.Errorf("accepted %+v", e)
				}
				again(body.PullEnd, ToPullEnd(e))
			}
		case *pb.StreamRequest_CalibrationCheck:
			if c, err := FromCalibrationCheck(body.CalibrationCheck); err == nil {
				matches(hashPattern, string(c.ID))
				matches(idPattern, string(c.Cell))
				instant(c.PerformedAt)
				optional(c.AirPressure, c.AirTemperature, c.Humidity, c.ArmAngle)
				if c.Standard != "" {
					matches(idPattern, string(c.Standard))
				}
				if !c.EffectiveAt.IsZero() {
					instant(c.EffectiveAt)
				}
				for _, reading := range c.Readings {
					optional(reading.Force, reading.Simulated, reading.Held, reading.Speed, reading.Reference, reading.SetForce, reading.From, reading.To, reading.Duration)
					if reading.Sense > fleet.Compression || reading.Direction > fleet.Falling {
						t.Errorf("accepted sense %d, direction %d", reading.Sense, reading.Direction)
					}
					for _, m := range reading.Masses {
						matches(idPattern, string(m))
					}
				}
				if c.Kind.String() == "unknown kind" || c.State.String() == "unknown state" {
					t.Errorf("accepted kind %d, state %d", c.Kind, c.State)
				}
				again(body.CalibrationCheck, ToCalibrationCheck(c))
			}
		case *pb.StreamRequest_Heartbeat:
			if h, err := FromHeartbeat(body.Heartbeat); err == nil {
				matches(idPattern, string(h.Cell))
				instant(h.SentAt)
				again(body.Heartbeat, ToHeartbeat(h))
			}
		}
	})
}

func BenchmarkFromSampleBlock(b *testing.B) {
	m := goodBlock()
	m.Samples.Counts = make([]int32, 16384)
	m.Crc32C = BlockCRC(m)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := FromSampleBlock(m); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(16384*float64(b.N)/b.Elapsed().Seconds(), "values/s")
}

// A pull announced by an agent from before set-up, charging and displacement is
// taken as it always was, and says nothing of them.
func TestPullFromBefore(t *testing.T) {
	m := &pb.PullBegin{PullId: strings.Repeat("a", 32), CellId: "fen-1", Kind: pb.PullKind_PULL_KIND_PULL, StartedAt: timestamppb.New(time.Unix(1780000000, 0)),
		CustomerCar: "red coupe", RotatingMassKg: proto.Float64(50), Channels: []string{"roller_speed"}}
	bytes, err := proto.Marshal(m)
	if err != nil {
		t.Fatal(err)
	}
	old := new(pb.PullBegin)
	if err := proto.Unmarshal(bytes, old); err != nil {
		t.Fatal(err)
	}
	p, err := FromPullBegin(old)
	if err != nil || p.SetUp != "" || p.Charging != fleet.ChargingUnknown || p.Displacement != nil || p.CustomerCar != "red coupe" {
		t.Errorf("%+v, %v", p, err)
	}
	// And nothing of them goes out again.
	again, err := proto.MarshalOptions{Deterministic: true}.Marshal(ToPullBegin(p))
	if err != nil || len(again) != len(bytes) {
		t.Errorf("%d bytes came, %d go (%v)", len(bytes), len(again), err)
	}
}
