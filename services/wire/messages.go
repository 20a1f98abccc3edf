package wire

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "rollcall/proto/rollcall/v1"
	"rollcall/services/fleet"
)

// ContractVersion is the version of the ingest contract spoken here.
const ContractVersion = 1

// Hello is how an agent opens its stream.
type Hello struct {
	Cell         fleet.CellID
	AgentVersion string
	SentAt       time.Time
}

// FromHello validates and converts m.
func FromHello(m *pb.Hello) (Hello, error) {
	p := problems{message: "hello"}
	p.id("cell_id", "cell", m.GetCellId())
	p.text("agent_version", m.GetAgentVersion())
	at := p.time("sent_at", m.GetSentAt())
	if v := m.GetContractVersion(); v != ContractVersion {
		p.add("contract_version", "is %d, this service speaks version %d; install the agent that belongs to the service", v, ContractVersion)
	}
	if err := p.err(); err != nil {
		return Hello{}, err
	}
	return Hello{Cell: fleet.CellID(m.GetCellId()), AgentVersion: m.GetAgentVersion(), SentAt: at}, nil
}

// ToHello returns h as its message.
func ToHello(h Hello) *pb.Hello {
	return &pb.Hello{CellId: string(h.Cell), AgentVersion: h.AgentVersion, SentAt: timestamppb.New(h.SentAt), ContractVersion: ContractVersion}
}

// SessionOf names the reference run a reference pull without a session of its
// own belongs to: the UTC day it started on, "2026-03-14".
func SessionOf(startedAt time.Time) string { return startedAt.UTC().Format(time.DateOnly) }

// FromPullBegin validates and converts m. A reference pull without a session
// gets the one SessionOf names.
func FromPullBegin(m *pb.PullBegin) (fleet.Pull, error) {
	p := problems{message: "pull_begin"}
	p.hash("pull_id", m.GetPullId())
	p.id("cell_id", "cell", m.GetCellId())
	switch m.GetKind() {
	case pb.PullKind_PULL_KIND_PULL, pb.PullKind_PULL_KIND_COAST_DOWN:
	case pb.PullKind_PULL_KIND_EMPTY_COAST_DOWN:
		if m.GetCarId() != "" || m.GetCustomerCar() != "" {
			p.add("kind", "is a coast-down of the empty rollers, yet a car is named; leave car_id and customer_car empty or send it as a car's coast-down")
		}
	default:
		p.add("kind", "is %s; it has to be a pull, a coast-down or an empty-roller coast-down", m.GetKind())
	}
	startedAt := p.time("started_at", m.GetStartedAt())
	if m.GetCarId() != "" {
		p.id("car_id", "reference car", m.GetCarId())
	}
	p.text("label", m.GetLabel())
	p.text("session", m.GetSession())
	p.text("customer_car", m.GetCustomerCar())
	p.text("set_up", m.GetSetUp())
	p.text("agent_version", m.GetAgentVersion())
	rampRate := p.number("ramp_rate_rad_s2", m.RampRateRadS2, 1e-3, 1e5, "give the engine's sweep in rad/s²")
	rotatingMass := p.number("rotating_mass_kg", m.RotatingMassKg, 0, 1e5, "give the equivalent mass at the roller surface in kg")
	coastingMass := p.number("coasting_mass_kg", m.CoastingMassKg, 0, 1e5, "give the equivalent mass at the roller surface in kg")
	displacement := p.number("displacement_m3", m.DisplacementM3, 1e-6, 1, "give the engine's swept volume in m³; two litres are 0.002")
	if c := fleet.Charging(m.GetCharging()); c != "" && !slices.Contains(fleet.Chargings, c) {
		p.add("charging", "is %s; known are none, turbo, mechanical", show(string(c)))
	}
	if c := fleet.Correction(m.GetCorrection()); c != "" && !slices.Contains(fleet.Corrections, c) {
		p.add("correction", "is %s; known are %s", show(string(c)), corrections())
	}
	channels := p.channels(m.GetChannels())
	p.header(m.GetHeader())
	if err := p.err(); err != nil {
		return fleet.Pull{}, err
	}
	session := m.GetSession()
	if session == "" && m.GetCarId() != "" {
		session = SessionOf(startedAt)
	}
	return fleet.Pull{
		ID: fleet.PullID(m.GetPullId()), Cell: fleet.CellID(m.GetCellId()), Kind: fleet.Kind(m.GetKind()), StartedAt: startedAt,
		Car: fleet.CarID(m.GetCarId()), Label: m.GetLabel(), Session: session, CustomerCar: m.GetCustomerCar(),
		SetUp: m.GetSetUp(), Charging: fleet.Charging(m.GetCharging()), Displacement: displacement,
		RampRate: rampRate, RotatingMass: rotatingMass, CoastingMass: coastingMass, Correction: fleet.Correction(m.GetCorrection()),
		Channels: channels, Header: maps.Clone(m.GetHeader()), AgentVersion: m.GetAgentVersion(),
	}, nil
}

func (p *problems) channels(names []string) []fleet.Channel {
	switch {
	case len(names) == 0:
		p.add("channels", "is empty; name each channel that follows")
		return nil
	case len(names) > MaxChannels:
		p.add("channels", "has %d names; at most %d fit one pull", len(names), MaxChannels)
		return nil
	}
	channels := make([]fleet.Channel, len(names))
	seen := make(map[string]bool, len(names))
	for i, name := range names {
		p.channel(fmt.Sprintf("channels[%d]", i), name)
		if seen[name] {
			p.add(fmt.Sprintf("channels[%d]", i), "names %s a second time; name each channel once", show(name))
		}
		seen[name] = true
		channels[i] = fleet.Channel(name)
	}
	return channels
}

func (p *problems) channel(field, name string) {
	if !ValidChannel(fleet.Channel(name)) {
		p.add(field, `is %s, no known channel; map it to a known one or name it "x_" and a to z, 0 to 9, underscore`, show(name))
	}
}

func (p *problems) header(header map[string]string) {
	size := 0
	for _, key := range slices.Sorted(maps.Keys(header)) {
		p.text(fmt.Sprintf("header[%s]", show(key)), header[key])
		p.text("header", key)
		size += len(key) + len(header[key])
	}
	if size > MaxHeader {
		p.add("header", "has %d bytes; keep what is needed, at most %d", size, MaxHeader)
	}
}

// ToPullBegin returns pull as its message.
func ToPullBegin(pull fleet.Pull) *pb.PullBegin {
	channels := make([]string, len(pull.Channels))
	for i, c := range pull.Channels {
		channels[i] = string(c)
	}
	return &pb.PullBegin{
		PullId: string(pull.ID), CellId: string(pull.Cell), Kind: pb.PullKind(pull.Kind), StartedAt: timestamppb.New(pull.StartedAt),
		CarId: string(pull.Car), Label: pull.Label, Session: pull.Session, CustomerCar: pull.CustomerCar,
		SetUp: pull.SetUp, Charging: string(pull.Charging), DisplacementM3: clonePtr(pull.Displacement),
		RampRateRadS2: clonePtr(pull.RampRate), RotatingMassKg: clonePtr(pull.RotatingMass), CoastingMassKg: clonePtr(pull.CoastingMass),
		Correction: string(pull.Correction), Channels: channels, Header: maps.Clone(pull.Header), AgentVersion: pull.AgentVersion,
	}
}

func clonePtr(v *float64) *float64 {
	if v == nil {
		return nil
	}
	number := *v
	return &number
}

// End closes a pull and says what must have arrived.
type End struct {
	Pull     fleet.PullID
	Cell     fleet.CellID
	Blocks   uint32
	Samples  uint64
	Checksum uint32 // PullChecksum over its blocks
}

// NewEnd returns the end of a pull that has the blocks summed up in sums.
func NewEnd(pull fleet.PullID, cell fleet.CellID, sums []BlockSum) End {
	e := End{Pull: pull, Cell: cell, Blocks: uint32(len(sums)), Checksum: PullChecksum(sums)}
	for _, s := range sums {
		e.Samples += uint64(s.Samples)
	}
	return e
}

// FromPullEnd validates and converts m.
func FromPullEnd(m *pb.PullEnd) (End, error) {
	p := problems{message: "pull_end"}
	p.hash("pull_id", m.GetPullId())
	p.id("cell_id", "cell", m.GetCellId())
	switch blocks, samples := m.GetBlocks(), m.GetSamples(); {
	case blocks == 0:
		p.add("blocks", "is 0; a pull has one block at least")
	case samples < uint64(blocks):
		p.add("samples", "is %d with %d blocks; each block has one sample at least", samples, blocks)
	case samples > uint64(blocks)*MaxBlockSamples:
		p.add("samples", "is %d with %d blocks; a block has at most %d samples", samples, blocks, MaxBlockSamples)
	}
	if err := p.err(); err != nil {
		return End{}, err
	}
	return End{Pull: fleet.PullID(m.GetPullId()), Cell: fleet.CellID(m.GetCellId()), Blocks: m.GetBlocks(), Samples: m.GetSamples(), Checksum: m.GetChecksum()}, nil
}

// ToPullEnd returns e as its message.
func ToPullEnd(e End) *pb.PullEnd {
	return &pb.PullEnd{PullId: string(e.Pull), CellId: string(e.Cell), Blocks: e.Blocks, Samples: e.Samples, Checksum: e.Checksum}
}

// Heartbeat tells how an agent is.
type Heartbeat struct {
	Cell          fleet.CellID
	SentAt        time.Time
	SpoolMessages uint64
	SpoolBytes    uint64
	SpoolOldestAt time.Time // zero: the spool is empty
	RejectedFiles uint64
	SetAside      uint64
	AgentVersion  string
}

// FromHeartbeat validates and converts m.
func FromHeartbeat(m *pb.Heartbeat) (Heartbeat, error) {
	p := problems{message: "heartbeat"}
	p.id("cell_id", "cell", m.GetCellId())
	at := p.time("sent_at", m.GetSentAt())
	p.text("agent_version", m.GetAgentVersion())
	var oldest time.Time
	if m.GetSpoolOldestAt() != nil {
		oldest = p.time("spool_oldest_at", m.GetSpoolOldestAt())
	}
	if err := p.err(); err != nil {
		return Heartbeat{}, err
	}
	return Heartbeat{
		Cell: fleet.CellID(m.GetCellId()), SentAt: at, SpoolMessages: m.GetSpoolMessages(), SpoolBytes: m.GetSpoolBytes(),
		SpoolOldestAt: oldest, RejectedFiles: m.GetRejectedFiles(), SetAside: m.GetSetAsideMessages(), AgentVersion: m.GetAgentVersion(),
	}, nil
}

// ToHeartbeat returns h as its message.
func ToHeartbeat(h Heartbeat) *pb.Heartbeat {
	m := &pb.Heartbeat{
		CellId: string(h.Cell), SentAt: timestamppb.New(h.SentAt), SpoolMessages: h.SpoolMessages, SpoolBytes: h.SpoolBytes,
		RejectedFiles: h.RejectedFiles, SetAsideMessages: h.SetAside, AgentVersion: h.AgentVersion,
	}
	if !h.SpoolOldestAt.IsZero() {
		m.SpoolOldestAt = timestamppb.New(h.SpoolOldestAt)
	}
	return m
}

// corrections lists the names of the corrections known.
func corrections() string {
	all := make([]string, len(fleet.Corrections))
	for i, c := range fleet.Corrections {
		all[i] = string(c)
	}
	return strings.Join(all, ", ")
}
