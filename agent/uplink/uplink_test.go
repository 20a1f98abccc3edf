package uplink

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"go.uber.org/zap"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	"rollcall/agent/spool"
	pb "rollcall/proto/rollcall/v1"
	"rollcall/services/wire"
)

func TestSendsInOrder(t *testing.T) {
	s := newService()
	address, _ := s.listen(t, "127.0.0.1:0", nil)
	f := newFixture(t, address, func(c *Config) { c.Heartbeat = 10 * time.Millisecond })
	f.uplink.Rejected = func() int { return 3 }
	f.fill(1, 300)
	stop := f.run()
	s.wait(t, "300 messages", func() bool { return len(s.stored) == 300 })
	f.fill(301, 500) // While connected and idle.
	f.empty(s)
	s.wait(t, "a heartbeat with an empty spool", func() bool {
		h := s.heartbeats
		return len(h) > 0 && h[len(h)-1].SpoolMessages == 0
	})
	stop()
	s.wantStored(t, 1, 500)
	s.wantOrder(t)
	if len(s.got) != 500 || s.streams != 1 {
		t.Errorf("%d messages on %d streams, want 500 on 1", len(s.got), s.streams)
	}
	h := s.hellos[0]
	if h.CellId != "north-1" || h.AgentVersion != "test" || h.ContractVersion != 1 || time.Since(h.SentAt.AsTime()) > time.Minute {
		t.Errorf("hello %v", h)
	}
	if b := s.heartbeats[0]; b.CellId != "north-1" || b.RejectedFiles != 3 || b.AgentVersion != "test" {
		t.Errorf("heartbeat %v", b)
	}
	st := f.uplink.State()
	if st.Stored != 500 || len(st.Alarms) != 0 || st.UnderWay != 0 {
		t.Errorf("state %+v", st)
	}
	if len(st.Answers) != 1 || st.Answers[0].Count != 500 || st.Answers[0].To != 500 || st.Answers[0].Code != "OK" {
		t.Errorf("answers %+v, want one run of 500", st.Answers)
	}
}

func TestBrokenStreams(t *testing.T) {
	// Each stream is cut after some messages, of which some got no answer.
	for _, code := range []codes.Code{codes.Unavailable, codes.Aborted, codes.DeadlineExceeded, codes.Internal, codes.Unknown, codes.Canceled} {
		t.Run(code.String(), func(t *testing.T) {
			s := newService()
			n := map[int]int{}
			s.answer = func(stream int, m *pb.StreamRequest) (*pb.StreamResponse, error) {
				n[stream]++
				switch {
				case stream <= 8 && n[stream] == 40:
					return nil, status.Error(code, "cut")
				case stream <= 8 && n[stream] > 20:
					return nil, nil
				}
				return fine, nil
			}
			address, _ := s.listen(t, "127.0.0.1:0", nil)
			f := newFixture(t, address, nil)
			f.fill(1, 300)
			stop := f.run()
			f.empty(s)
			stop()
			s.wantStored(t, 1, 300)
			s.wantOrder(t)
			// Each stream begins at the first that had no answer.
			first := map[int]uint64{}
			for _, r := range s.got {
				if first[r.stream] == 0 {
					first[r.stream] = r.sequence
				}
			}
			for stream, q := range first {
				if stream <= 9 && q != uint64(20*(stream-1)+1) {
					t.Errorf("stream %d began at %d, want %d", stream, q, 20*(stream-1)+1)
				}
			}
			if aside, _ := CountAside(f.config.AsideDir); aside != 0 {
				t.Errorf("%d messages set aside for a broken link", aside)
			}
		})
	}
}

func TestServiceRestarts(t *testing.T) {
	s := newService()
	address, halt := s.listen(t, "127.0.0.1:0", nil)
	f := newFixture(t, address, func(c *Config) { c.WindowMessages = 10 })
	f.fill(1, 2000)
	stop := f.run()
	for i := range 3 {
		s.wait(t, "some messages", func() bool { return len(s.stored) > 300*(i+1) })
		halt()
		f.until("the link to be known as lost", func() bool { return !f.uplink.State().Connected })
		_, halt = s.listen(t, address, nil)
	}
	f.empty(s)
	stop()
	s.wantStored(t, 1, 2000)
	s.wantOrder(t)
	if st := f.uplink.State(); st.LastError == "" {
		t.Error("no error of the link is shown")
	}
}

func TestInvalidIsSetAside(t *testing.T) {
	s := newService()
	s.answer = func(_ int, m *pb.StreamRequest) (*pb.StreamResponse, error) {
		if m.Sequence == 7 || m.Sequence == 100 {
			r := respond(pb.Code_CODE_INVALID_ARGUMENT, "roller_speed is 10^9 m/s; check the unit of the column", 0)
			r.Field = "sample_block.samples"
			return r, nil
		}
		return fine, nil
	}
	address, _ := s.listen(t, "127.0.0.1:0", nil)
	f := newFixture(t, address, nil)
	f.fill(1, 100)
	stop := f.run()
	f.empty(s)
	stop()
	s.wantStored(t, 1, 100, 7, 100)
	if n, _ := s.times(7); n != 1 {
		t.Errorf("sent %d times", n)
	}
	list, err := ListAside(f.config.AsideDir, 100)
	if err != nil || len(list) != 2 {
		t.Fatalf("%+v, %v", list, err)
	}
	a := list[0]
	if a.Sequence != 7 || a.Code != "INVALID_ARGUMENT" || !strings.Contains(a.Reason, "check the unit") || a.Field != "sample_block.samples" ||
		a.Message != "sample_block" || a.Of != "00112233445566778899aabbccddeeff" || a.Channel != "roller_speed" || a.Tries != 1 {
		t.Errorf("%+v", a)
	}
	b, err := os.ReadFile(filepath.Join(f.config.AsideDir, a.Payload))
	if err != nil {
		t.Fatal(err)
	}
	var m pb.StreamRequest
	if err := proto.Unmarshal(b, &m); err != nil || !proto.Equal(&m, message(7)) {
		t.Errorf("the payload kept is not the message: %v", err)
	}
	if st := f.uplink.State(); st.SetAside != 2 || st.Stored != 98 {
		t.Errorf("state %+v", st)
	}
}

func TestAsideFolderNotWritable(t *testing.T) {
	s := newService()
	s.answer = func(_ int, m *pb.StreamRequest) (*pb.StreamResponse, error) {
		if m.Sequence == 3 {
			return respond(pb.Code_CODE_INVALID_ARGUMENT, "wrong", 0), nil
		}
		return fine, nil
	}
	address, _ := s.listen(t, "127.0.0.1:0", nil)
	f := newFixture(t, address, nil)
	// A file where the folder should be.
	if err := os.WriteFile(f.config.AsideDir, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	f.fill(1, 20)
	stop := f.run()
	f.until("the alarm", func() bool { _, ok := f.alarm(AlarmAside); return ok })
	f.until("only message 3 to be left", func() bool { return f.spool.Stats().Messages == 1 })
	if err := os.Remove(f.config.AsideDir); err != nil {
		t.Fatal(err)
	}
	f.empty(s)
	f.until("the alarm to end", func() bool { _, ok := f.alarm(AlarmAside); return !ok })
	stop()
	s.wantStored(t, 1, 20, 3)
}

func TestUnknownToRegistry(t *testing.T) {
	s := newService()
	var known atomic.Bool
	s.answer = func(_ int, m *pb.StreamRequest) (*pb.StreamResponse, error) {
		if m.Sequence%50 == 5 && !known.Load() {
			return respond(pb.Code_CODE_FAILED_PRECONDITION, `car "blue" is not in the registry`, 0), nil
		}
		return fine, nil
	}
	address, _ := s.listen(t, "127.0.0.1:0", nil)
	f := newFixture(t, address, nil)
	f.fill(1, 300)
	stop := f.run()
	// The others go on.
	f.until("all others", func() bool { return f.spool.Stats().Messages == 6 })
	if a, ok := f.alarm(AlarmRegistry); !ok || !strings.Contains(a.Text, `"blue"`) {
		t.Errorf("alarm %+v, %v", a, ok)
	}
	s.wait(t, "a few more tries", func() bool { return len(s.got) > 300+3*6 })
	known.Store(true)
	f.empty(s)
	f.until("the alarm to end", func() bool { _, ok := f.alarm(AlarmRegistry); return !ok })
	stop()
	s.wantStored(t, 1, 300)
	if aside, _ := CountAside(f.config.AsideDir); aside != 0 {
		t.Errorf("%d set aside", aside)
	}
}

func TestUnknownCellStopsThePass(t *testing.T) {
	s := newService()
	var known atomic.Bool
	s.answer = func(_ int, m *pb.StreamRequest) (*pb.StreamResponse, error) {
		if !known.Load() {
			return respond(pb.Code_CODE_FAILED_PRECONDITION, "the cell is not in the registry", 0), nil
		}
		return fine, nil
	}
	address, _ := s.listen(t, "127.0.0.1:0", nil)
	f := newFixture(t, address, func(c *Config) { c.HeldMost, c.WindowMessages = 16, 8 })
	f.fill(1, 1000)
	stop := f.run()
	s.wait(t, "several passes", func() bool { return len(s.got) >= 100 })
	s.mu.Lock()
	for _, r := range s.got {
		if r.sequence > 16+8 {
			t.Errorf("message %d sent although none before it was taken", r.sequence)
		}
	}
	s.mu.Unlock()
	known.Store(true)
	f.empty(s)
	stop()
	s.wantStored(t, 1, 1000)
}

func TestLater(t *testing.T) {
	for _, code := range []pb.Code{pb.Code_CODE_UNAVAILABLE, pb.Code_CODE_RESOURCE_EXHAUSTED} {
		t.Run(code.String(), func(t *testing.T) {
			s := newService()
			refusals := 0
			const wait = 150 * time.Millisecond
			s.answer = func(_ int, m *pb.StreamRequest) (*pb.StreamResponse, error) {
				if m.Sequence == 31 && refusals < 2 {
					refusals++
					return respond(code, "not now", wait), nil
				}
				return fine, nil
			}
			address, _ := s.listen(t, "127.0.0.1:0", nil)
			f := newFixture(t, address, func(c *Config) { c.WindowMessages = 5 })
			f.fill(1, 100)
			stop := f.run()
			f.empty(s)
			stop()
			s.wantStored(t, 1, 100)
			n, at := s.times(31)
			if n != 3 {
				t.Fatalf("sent %d times, want 3", n)
			}
			for i := 1; i < n; i++ {
				if d := at[i].Sub(at[i-1]); d < wait {
					t.Errorf("sent again after %v, asked to wait %v", d, wait)
				}
			}
			// Nothing but what was under way went in between, and only 31 again.
			if len(s.got) != 102 || s.streams != 1 {
				t.Errorf("%d messages on %d streams, want 102 on 1", len(s.got), s.streams)
			}
		})
	}
}

func TestCertificateNotForThisCell(t *testing.T) {
	for _, where := range []string{"hello", "message", "stream"} {
		t.Run(where, func(t *testing.T) {
			s := newService()
			refuse := func(stream int) (*pb.StreamResponse, error) {
				if stream > 3 {
					return fine, nil
				}
				if where == "stream" {
					return nil, status.Error(codes.PermissionDenied, "the certificate is for south-2")
				}
				return respond(pb.Code_CODE_PERMISSION_DENIED, "the certificate is for south-2", 0), nil
			}
			if where == "message" {
				s.answer = func(stream int, m *pb.StreamRequest) (*pb.StreamResponse, error) { return refuse(stream) }
			} else {
				s.hello = func(stream int, _ *pb.Hello) (*pb.StreamResponse, error) { return refuse(stream) }
			}
			address, _ := s.listen(t, "127.0.0.1:0", nil)
			f := newFixture(t, address, nil)
			f.fill(1, 50)
			stop := f.run()
			f.until("the alarm", func() bool {
				a, ok := f.alarm(AlarmCertificate)
				return ok && strings.Contains(a.Text, "south-2")
			})
			f.empty(s)
			stop()
			s.wantStored(t, 1, 50)
			if _, ok := f.alarm(AlarmCertificate); ok {
				t.Error("the alarm stands")
			}
			if s.streams != 4 {
				t.Errorf("%d streams, want 4: each try on a new one", s.streams)
			}
		})
	}
}

func TestFaultOfTheService(t *testing.T) {
	s := newService()
	s.answer = func(_ int, m *pb.StreamRequest) (*pb.StreamResponse, error) {
		if m.Sequence == 40 {
			return respond(pb.Code_CODE_INTERNAL, "internal error 1234", 0), nil
		}
		return fine, nil
	}
	address, _ := s.listen(t, "127.0.0.1:0", nil)
	f := newFixture(t, address, nil)
	f.fill(1, 100)
	stop := f.run()
	f.empty(s)
	stop()
	s.wantStored(t, 1, 100, 40)
	if n, _ := s.times(40); n != wire.MaxUnexplained {
		t.Errorf("sent %d times, want %d", n, wire.MaxUnexplained)
	}
	list, err := ListAside(f.config.AsideDir, 10)
	if err != nil || len(list) != 1 || list[0].Sequence != 40 || !strings.Contains(list[0].Reason, "unexplained after 5 tries: internal error 1234") {
		t.Errorf("%+v, %v", list, err)
	}
}

func TestFaultOfTheServiceForAll(t *testing.T) {
	// While everything fails, one message is tried at a time; the others are
	// not counted for it.
	s := newService()
	passes := 0
	s.answer = func(_ int, m *pb.StreamRequest) (*pb.StreamResponse, error) {
		if m.Sequence == 1 {
			passes++
		}
		if passes < wire.MaxUnexplained {
			return respond(pb.Code_CODE_INTERNAL, "internal error", 0), nil
		}
		return fine, nil
	}
	address, _ := s.listen(t, "127.0.0.1:0", nil)
	f := newFixture(t, address, nil)
	f.fill(1, 100)
	stop := f.run()
	f.empty(s)
	stop()
	s.wantStored(t, 1, 100)
	if aside, _ := CountAside(f.config.AsideDir); aside != 0 {
		t.Errorf("%d set aside", aside)
	}
}

// TestMessageThatBreaksTheStream: the service fails on one message without an
// answer. It is found, set aside, and everything else arrives.
func TestMessageThatBreaksTheStream(t *testing.T) {
	for _, end := range []error{
		status.Error(codes.Internal, "panic"), status.Error(codes.Unknown, "?"),
		status.Error(codes.ResourceExhausted, "grpc: received message larger than max (5000000 vs. 4194304)"),
	} {
		t.Run(status.Code(end).String(), func(t *testing.T) {
			s := newService()
			s.answer = func(_ int, m *pb.StreamRequest) (*pb.StreamResponse, error) {
				if m.Sequence == 33 {
					return nil, end
				}
				return fine, nil
			}
			address, _ := s.listen(t, "127.0.0.1:0", nil)
			f := newFixture(t, address, func(c *Config) { c.WindowMessages = 20 })
			f.fill(1, 100)
			stop := f.run()
			f.empty(s)
			stop()
			s.wantStored(t, 1, 100, 33)
			list, err := ListAside(f.config.AsideDir, 10)
			if err != nil || len(list) != 1 || list[0].Sequence != 33 || !strings.Contains(list[0].Reason, "unexplained") {
				t.Errorf("%+v, %v", list, err)
			}
		})
	}
	t.Run("never for the link", func(t *testing.T) {
		s := newService()
		breaks := 0
		s.answer = func(_ int, m *pb.StreamRequest) (*pb.StreamResponse, error) {
			if m.Sequence == 33 && breaks < 30 {
				breaks++
				return nil, status.Error(codes.Unavailable, "cut")
			}
			return fine, nil
		}
		address, _ := s.listen(t, "127.0.0.1:0", nil)
		f := newFixture(t, address, nil)
		f.fill(1, 100)
		stop := f.run()
		f.empty(s)
		stop()
		s.wantStored(t, 1, 100)
	})
}

func TestWindow(t *testing.T) {
	size := proto.Size(message(1))
	for _, test := range []struct {
		name            string
		messages, bytes int
		want            int
	}{
		{"messages", 7, 1 << 20, 7},
		{"bytes", 1000, 3*size + size/2, 3},
		{"a message larger than the window goes alone", 1000, 1, 1},
	} {
		t.Run(test.name, func(t *testing.T) {
			s := newService()
			s.answer = func(int, *pb.StreamRequest) (*pb.StreamResponse, error) { return nil, nil }
			address, _ := s.listen(t, "127.0.0.1:0", nil)
			f := newFixture(t, address, func(c *Config) {
				c.WindowMessages, c.WindowBytes = test.messages, test.bytes
				c.Heartbeat = 20 * time.Millisecond
				c.LastWait = 0
			})
			sink := NewSink(f.spool)
			for range 50 {
				if err := sink.Append(t.Context(), message(1)); err != nil {
					t.Fatal(err)
				}
			}
			stop := f.run()
			// Heartbeats go on while the window is full; several show that
			// nothing else goes.
			s.wait(t, "heartbeats", func() bool { return len(s.heartbeats) >= 8 })
			s.mu.Lock()
			if len(s.got) != test.want {
				t.Errorf("%d messages under way, want %d", len(s.got), test.want)
			}
			s.mu.Unlock()
			stop()
		})
	}
}

func TestSilentService(t *testing.T) {
	s := newService()
	s.answer = func(stream int, m *pb.StreamRequest) (*pb.StreamResponse, error) {
		if stream == 1 && m.Sequence > 5 {
			return nil, nil
		}
		return fine, nil
	}
	address, _ := s.listen(t, "127.0.0.1:0", nil)
	f := newFixture(t, address, func(c *Config) { c.AnswerTimeout = 200 * time.Millisecond })
	f.fill(1, 50)
	stop := f.run()
	f.empty(s)
	stop()
	s.wantStored(t, 1, 50)
	if st := f.uplink.State(); !strings.Contains(st.LastError, "does not answer") {
		t.Errorf("last error %q", st.LastError)
	}
	// A service that says nothing to hello is left too.
	s2 := newService()
	s2.hello = func(stream int, _ *pb.Hello) (*pb.StreamResponse, error) {
		if stream == 1 {
			return nil, nil
		}
		return fine, nil
	}
	address, _ = s2.listen(t, "127.0.0.1:0", nil)
	f = newFixture(t, address, func(c *Config) { c.AnswerTimeout = 200 * time.Millisecond })
	f.fill(1, 5)
	stop = f.run()
	f.empty(s2)
	stop()
}

// TestStopTakesLastAnswers: what is under way when the agent is told to stop
// is acknowledged and not sent again at the next start.
func TestStopTakesLastAnswers(t *testing.T) {
	s := newService()
	release := make(chan struct{})
	s.answer = func(_ int, m *pb.StreamRequest) (*pb.StreamResponse, error) {
		if m.Sequence == 10 {
			// Still locked: nothing more is taken until the agent is stopping.
			<-release
		}
		return fine, nil
	}
	address, _ := s.listen(t, "127.0.0.1:0", nil)
	f := newFixture(t, address, func(c *Config) { c.WindowMessages = 20 })
	f.fill(1, 100)
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() { defer close(done); _ = f.uplink.Run(ctx) }()
	f.until("a full window", func() bool {
		st := f.uplink.State()
		return st.Stored == 9 && st.Connected
	})
	cancel()
	time.AfterFunc(100*time.Millisecond, func() { close(release) })
	<-done
	if left := f.spool.Stats().Messages; left != int64(100-len(s.got)) || len(s.got) < 10 {
		t.Errorf("%d messages left, %d sent and answered", left, len(s.got))
	}
}

func TestNoServiceAtAll(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	address := l.Addr().String()
	l.Close()
	f := newFixture(t, address, nil)
	f.fill(1, 10)
	stop := f.run()
	f.until("the error", func() bool {
		st := f.uplink.State()
		return !st.Connected && strings.Contains(st.LastError, "refused")
	})
	stop()
	if f.spool.Stats().Messages != 10 {
		t.Error("messages gone")
	}
}

func TestMutualTLS(t *testing.T) {
	dir := t.TempDir()
	ca, caKey := certificate(t, dir, "ca", nil, nil)
	certificate(t, dir, "server", ca, caKey)
	certificate(t, dir, "cell", ca, caKey)
	other, otherKey := certificate(t, dir, "otherca", nil, nil)
	certificate(t, dir, "stranger", other, otherKey)
	file := func(name string) string { return filepath.Join(dir, name) }
	pair, err := tls.LoadX509KeyPair(file("server.pem"), file("server.key"))
	if err != nil {
		t.Fatal(err)
	}
	roots := x509.NewCertPool()
	roots.AddCert(ca)
	s := newService()
	address, _ := s.listen(t, "127.0.0.1:0", credentials.NewTLS(&tls.Config{
		MinVersion: tls.VersionTLS13, Certificates: []tls.Certificate{pair}, ClientCAs: roots, ClientAuth: tls.RequireAndVerifyClientCert,
	}))
	good := TLS{CertFile: file("cell.pem"), KeyFile: file("cell.key"), CAFile: file("ca.pem")}
	f := newFixture(t, address, func(c *Config) { c.TLS = good })
	f.fill(1, 10)
	stop := f.run()
	f.empty(s)
	stop()
	s.wantStored(t, 1, 10)

	for name, bad := range map[string]TLS{
		"client of a stranger":   {CertFile: file("stranger.pem"), KeyFile: file("stranger.key"), CAFile: file("ca.pem")},
		"server of a stranger":   {CertFile: file("cell.pem"), KeyFile: file("cell.key"), CAFile: file("otherca.pem")},
		"no certificate file":    {CertFile: file("nothing.pem"), KeyFile: file("cell.key"), CAFile: file("ca.pem")},
		"no certificate in file": {CertFile: file("cell.pem"), KeyFile: file("cell.key"), CAFile: file("cell.key")},
	} {
		t.Run(name, func(t *testing.T) {
			f := newFixture(t, address, func(c *Config) { c.TLS = bad })
			f.fill(1, 3)
			stop := f.run()
			f.until("the error", func() bool { return f.uplink.State().LastError != "" })
			stop()
			if f.spool.Stats().Messages != 3 {
				t.Error("messages gone")
			}
		})
	}
	if len(s.got) != 10 {
		t.Errorf("%d messages taken from strangers", len(s.got)-10)
	}
}

// certificate makes a certificate for 127.0.0.1, signed by parent or itself.
func certificate(t *testing.T, dir, name string, parent *x509.Certificate, parentKey *ecdsa.PrivateKey) (*x509.Certificate, *ecdsa.PrivateKey) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	c := &x509.Certificate{
		SerialNumber: big.NewInt(time.Now().UnixNano()), Subject: pkix.Name{CommonName: name},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
		KeyUsage:    x509.KeyUsageDigitalSignature | x509.KeyUsageCertSign,
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth, x509.ExtKeyUsageServerAuth},
		IsCA:        parent == nil, BasicConstraintsValid: true,
	}
	if parent == nil {
		parent, parentKey = c, key
	}
	der, err := x509.CreateCertificate(rand.Reader, c, parent, &key.PublicKey, parentKey)
	if err != nil {
		t.Fatal(err)
	}
	keyDER, err := x509.MarshalECPrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	for file, block := range map[string]*pem.Block{".pem": {Type: "CERTIFICATE", Bytes: der}, ".key": {Type: "EC PRIVATE KEY", Bytes: keyDER}} {
		if err := os.WriteFile(filepath.Join(dir, name+file), pem.EncodeToMemory(block), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	out, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	return out, key
}

func TestValidate(t *testing.T) {
	for _, test := range []struct {
		name, want string
		change     func(*Config)
	}{
		{"good", "", func(*Config) {}},
		{"localhost", "", func(c *Config) { c.Server = "localhost:1" }},
		{"loopback of IPv6", "", func(c *Config) { c.Server = "[::1]:1" }},
		{"no cell", "cell is empty", func(c *Config) { c.Cell = "" }},
		{"no server", "server is empty", func(c *Config) { c.Server = "" }},
		{"no port", "not host:port", func(c *Config) { c.Server = "127.0.0.1" }},
		{"plaintext over a network", "plaintext is allowed to loopback only", func(c *Config) { c.Server = "dyno.example:7443" }},
		{"half of TLS", "tls.key is empty", func(c *Config) { c.TLS.CertFile, c.TLS.CAFile = "a", "b" }},
		{"no window", "window", func(c *Config) { c.WindowBytes = 0 }},
		{"backoff", "longest backoff", func(c *Config) { c.BackoffMax = 1 }},
	} {
		t.Run(test.name, func(t *testing.T) {
			c := quick("127.0.0.1:1", "x")
			test.change(&c)
			err := c.Validate()
			if (err == nil) != (test.want == "") || err != nil && !strings.Contains(err.Error(), test.want) {
				t.Errorf("%v, want %q", err, test.want)
			}
		})
	}
}

func TestPace(t *testing.T) {
	p := pace{min: 100 * time.Millisecond, max: time.Second}
	for _, top := range []time.Duration{100, 200, 400, 800, 1000, 1000} {
		top *= time.Millisecond
		if d := p.next(); d < top/2 || d > top {
			t.Errorf("waits %v, want %v to %v", d, top/2, top)
		}
	}
	p.reset()
	if d := p.next(); d > 100*time.Millisecond {
		t.Errorf("waits %v after reset", d)
	}
}

func TestSink(t *testing.T) {
	dir := t.TempDir()
	c := spool.DefaultConfig()
	c.Dir, c.SegmentBytes, c.MaxBytes = dir, 4<<10, 16<<10
	s, err := spool.Open(c, zap.NewNop())
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	sink := NewSink(s)
	m := message(1)
	m.Sequence = 77 // Not the sink's business.
	begin := &pb.StreamRequest{Body: &pb.StreamRequest_PullBegin{PullBegin: &pb.PullBegin{Header: map[string]string{"b": "2", "a": "1", "c": "3"}}}}
	if err := sink.Append(t.Context(), m, begin, begin); err != nil {
		t.Fatal(err)
	}
	r := s.NewReader(0)
	defer r.Close()
	var payloads [][]byte
	for range 3 {
		record, ok, err := r.Read(nil)
		if err != nil || !ok {
			t.Fatal(ok, err)
		}
		payloads = append(payloads, record.Payload)
	}
	var back pb.StreamRequest
	if err := proto.Unmarshal(payloads[0], &back); err != nil || !proto.Equal(&back, message(1)) {
		t.Errorf("payload is not the body alone: %v", err)
	}
	if string(payloads[1]) != string(payloads[2]) {
		t.Error("the same message has different bytes")
	}
	// With its sequence it is the whole request.
	if err := proto.Unmarshal(appendSequence(payloads[0], 1<<63), &back); err != nil || back.Sequence != 1<<63 || back.GetSampleBlock() == nil {
		t.Errorf("with sequence: %v, %v", &back, err)
	}
	if err := sink.Append(t.Context(), &pb.StreamRequest{}); err == nil {
		t.Error("a message without a body was taken")
	}
	for err == nil {
		err = sink.Append(t.Context(), message(1), message(2))
	}
	if !errors.Is(err, spool.ErrFull) {
		t.Errorf("%v, want ErrFull", err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := sink.Append(ctx, message(1)); !errors.Is(err, context.Canceled) {
		t.Errorf("%v, want canceled", err)
	}
}
