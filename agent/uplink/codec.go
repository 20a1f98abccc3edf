package uplink

import (
	"fmt"

	"google.golang.org/grpc/mem"
	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"

	pb "rollcall/proto/rollcall/v1"
)

// sequenceRoom is the most bytes appendSequence adds.
const sequenceRoom = 11

// appendSequence appends StreamRequest.sequence. Fields may stand in any order
// (protobuf encoding specification, "Field order").
func appendSequence(b []byte, sequence uint64) []byte {
	if sequence == 0 {
		return b
	}
	b = protowire.AppendTag(b, 1, protowire.VarintType)
	return protowire.AppendVarint(b, sequence)
}

// buffers has steps of two, so that a message takes at most twice its size.
// (The default pool's step from 32 KiB to 1 MiB would.)
var buffers = func() mem.BufferPool {
	var exponents []uint8
	for e := uint8(11); e <= 24; e++ {
		exponents = append(exponents, e)
	}
	p, err := mem.NewBinaryTieredBufferPool(exponents...)
	if err != nil {
		panic(err)
	}
	return p
}()

// outgoing is a request already encoded. Its buffer goes back to buffers when
// gRPC has written it.
type outgoing struct{ data *[]byte }

// codec sends outgoing as it is and decodes answers as usual.
type codec struct{}

func (codec) Name() string { return "proto" }

func (codec) Marshal(v any) (mem.BufferSlice, error) {
	o, ok := v.(outgoing)
	if !ok {
		return nil, fmt.Errorf("encode %T: not an encoded message", v)
	}
	return mem.BufferSlice{mem.NewBuffer(o.data, buffers)}, nil
}

func (codec) Unmarshal(data mem.BufferSlice, v any) error {
	m, ok := v.(proto.Message)
	if !ok {
		return fmt.Errorf("decode into %T: not a message", v)
	}
	b := data.MaterializeToBuffer(buffers)
	defer b.Free()
	return proto.Unmarshal(b.ReadOnlyData(), m)
}

// encoded makes an outgoing of a message that is not spooled.
func encoded(m *pb.StreamRequest) (outgoing, error) {
	b, err := proto.Marshal(m)
	if err != nil {
		return outgoing{}, err
	}
	return outgoing{&b}, nil
}
