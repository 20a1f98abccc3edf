package main

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"fmt"
	"math"
	mathrand "math/rand/v2"
	"slices"
	"time"

	"rollcall/agent/spool"
	"rollcall/agent/uplink"
	pb "rollcall/proto/rollcall/v1"
	"rollcall/services/compute/channel"
	"rollcall/services/compute/powercurve/pulltest"
	"rollcall/services/fleet"
	"rollcall/services/store"
	"rollcall/services/wire"
)

// channels is how many a pull of the benchmark has.
const channels = 20

// auxiliary are the channels of a pull beside those of pulltest: a level, and
// how much of it is noise.
var auxiliary = []struct {
	name  fleet.Channel
	level float64
}{
	{fleet.RollerSpeedRear, 0}, {fleet.IntakeAirTemperature, 301}, {fleet.ThrottleAngle, 1.4}, {fleet.Boost, 1.8e5},
	{fleet.BoostSetPoint, 1.8e5}, {fleet.IgnitionAngle, 0.4}, {fleet.KnockRetard, 0.01}, {fleet.Lambda, 0.9},
	{fleet.CoolantTemperature, 363}, {fleet.OilTemperature, 370}, {fleet.TyreTemperature, 320},
	{"x_exhaust_temperature", 1000}, {"x_fuel_pressure", 3e5},
}

// widen returns the channels of a simulated pull and as many more as make 20.
func widen(p *pulltest.Pull) map[fleet.Channel]channel.Series {
	out := p.Sample()
	speed := out[fleet.RollerSpeed]
	for _, a := range auxiliary {
		x := make([]float64, len(speed.T))
		for i := range x {
			x[i] = a.level * (1 + 0.001*p.Random.NormFloat64())
			if a.name == fleet.RollerSpeedRear {
				x[i] = speed.X[i] + p.SpeedNoise*p.Random.NormFloat64()
			}
		}
		out[a.name] = channel.Series{T: speed.T, X: x}
	}
	return out
}

// steps are the resolutions of instruments, SI; a common logger's, no source.
var steps = map[fleet.Channel]float64{
	fleet.RollerSpeed: 0.01 / 3.6, fleet.RollerSpeedRear: 0.01 / 3.6, fleet.LoadCellForce: 0.5, fleet.EngineSpeed: math.Pi / 30,
	fleet.AirPressure: 10, fleet.AirTemperature: 0.01, fleet.RelativeHumidity: 0.001, fleet.IntakeAirTemperature: 0.1,
	fleet.Pedal: 0.001, fleet.ThrottleAngle: 0.001, fleet.Boost: 100, fleet.BoostSetPoint: 100, fleet.IgnitionAngle: 0.001,
	fleet.KnockRetard: 0.001, fleet.Lambda: 0.001, fleet.CoolantTemperature: 0.1, fleet.OilTemperature: 0.1,
	fleet.TyreTemperature: 0.1, "x_exhaust_temperature": 1, "x_fuel_pressure": 100,
}

// recording is a pull as an agent has it, without its id.
type recording struct {
	blocks []wire.Block
	sums   []wire.BlockSum
	values int
}

// blocksOf counts the blocks of a channel.
func (r *recording) blocksOf(name fleet.Channel) int {
	n := 0
	for _, b := range r.blocks {
		if b.Channel == name {
			n++
		}
	}
	return n
}

// blockSamples is the most samples of a block, as the agent makes them of files
// with 20 channels.
const blockSamples = 6553

// record makes a recorded pull: 20 channels, 15 s with its coast-down, as
// counts, in blocks as the agent makes them.
func record(cell fleet.Cell, car fleet.Car, rate float64, seed uint64) recording {
	p := pulltest.Example()
	p.Cell, p.Car, p.Rate = cell, car, rate
	low, high := p.Car.BandLow*0.88, p.Car.BandHigh*1.03
	ratio := p.Car.GearRatio / p.Car.TyreRadius
	p.Hold, p.Ramp, p.Coast = 0.5, 5, 9.5
	p.Low, p.Bend = low/ratio, 0
	p.Accel = (high - low) / ratio / p.Ramp
	p.Random = mathrand.New(mathrand.NewPCG(seed, 1))
	p.SpeedNoise, p.LoadNoise, p.EngineNoise, p.Ripple = 0.01, 15, 0.5, 0.01
	series := widen(&p)
	var r recording
	names := make([]fleet.Channel, 0, len(series))
	for name := range series {
		names = append(names, name)
	}
	slices.Sort(names)
	for _, name := range names {
		// The grid is closed at both ends; a recording of 15 s is not.
		x := series[name].X[:len(series[name].X)-1]
		for part := range slices.Chunk(x, blockSamples) {
			b := wire.Block{Cell: cell.ID, Channel: name, Index: uint32(r.blocksOf(name)), Step: 1 / rate}
			b.Start = float64(int(b.Index)*blockSamples) / rate
			b.Samples = wire.Packed{Scale: steps[name], Counts: make([]int32, len(part))}
			for i, v := range part {
				b.Samples.Counts[i] = int32(math.Round(v / steps[name]))
			}
			b.CRC = wire.ToSampleBlock(b).Crc32C
			r.blocks = append(r.blocks, b)
			r.sums = append(r.sums, b.Sum())
			r.values += len(part)
		}
	}
	return r
}

// recordings are pulls that differ in their noise, so that no compressor sees
// the same arrays twice.
type recordings []recording

const distinct = 16

func newRecordings(cell fleet.Cell, car fleet.Car, rate float64) recordings {
	out := make(recordings, distinct)
	for i := range out {
		out[i] = record(cell, car, rate, uint64(i))
	}
	return out
}

func (r recordings) values(pulls int) int { return pulls * r[0].values }

// messages returns how many messages so many pulls are.
func (r recordings) messages(pulls int) int { return pulls * (len(r[0].blocks) + 2) }

// pullsIn returns how many pulls fill a spool of so many bytes.
func (r recordings) pullsIn(bytes int64) int { return int(max(1, bytes/int64(4*r[0].values))) }

// newID returns an id never used before.
func newID() fleet.PullID {
	var id [16]byte
	rand.Read(id[:]) // never fails
	return fleet.PullID(hex.EncodeToString(id[:]))
}

// rows returns the blocks of so many new pulls as rows; the numbers are shared.
func (r recordings) rows(pulls int) []store.BlockRow {
	rows := make([]store.BlockRow, 0, pulls*len(r[0].blocks))
	for n := range pulls {
		id := newID()
		for _, b := range r[n%len(r)].blocks {
			b.Pull = id
			rows = append(rows, store.FromBlock(b))
		}
	}
	return rows
}

// fill puts so many new customers' pulls into a spool.
func (r recordings) fill(ctx context.Context, dir string, pulls int, startedAt time.Time) error {
	config := spool.DefaultConfig()
	config.Dir = dir
	s, err := spool.Open(config, nop)
	if err != nil {
		return err
	}
	sink := uplink.NewSink(s)
	for n := range pulls {
		p := r[n%len(r)]
		begin := fleet.Pull{
			ID: newID(), Cell: p.blocks[0].Cell, Kind: fleet.KindPull, StartedAt: startedAt.Add(time.Duration(n) * time.Minute),
			CustomerCar: "recorded", AgentVersion: "bench",
		}
		requests := []*pb.StreamRequest{nil}
		for _, b := range p.blocks {
			b.Pull = begin.ID
			if b.Index == 0 {
				begin.Channels = append(begin.Channels, b.Channel)
			}
			requests = append(requests, &pb.StreamRequest{Body: &pb.StreamRequest_SampleBlock{SampleBlock: wire.ToSampleBlock(b)}})
		}
		requests[0] = &pb.StreamRequest{Body: &pb.StreamRequest_PullBegin{PullBegin: wire.ToPullBegin(begin)}}
		requests = append(requests, &pb.StreamRequest{Body: &pb.StreamRequest_PullEnd{PullEnd: wire.ToPullEnd(wire.NewEnd(begin.ID, begin.Cell, p.sums))}})
		if err := sink.Append(ctx, requests...); err != nil {
			return fmt.Errorf("fill the spool: %w", err)
		}
	}
	return s.Close()
}
