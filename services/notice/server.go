package notice

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "rollcall/proto/rollcall/v1"
	"rollcall/services/access"
	"rollcall/services/store"
	"rollcall/services/wire"
)

// Server serves the NoticeService of a Service.
type Server struct {
	pb.UnimplementedNoticeServiceServer
	*Service
}

// ListNotices returns what was sent and what waits. Any replica can answer.
func (s Server) ListNotices(ctx context.Context, req *pb.ListNoticesRequest) (*pb.ListNoticesResponse, error) {
	if id := access.FromContext(ctx); !id.MayRead() {
		return nil, access.Denied("%s may not read the notices; a person's certificate is needed", id)
	}
	limit := int(req.Limit)
	if limit == 0 {
		limit = store.DefaultLimit
	}
	rows, err := s.store.ListNoticeDeliveries(ctx, store.Filter{Limit: limit + 1})
	if err != nil {
		return nil, err
	}
	out := &pb.ListNoticesResponse{More: len(rows) > limit}
	for _, r := range rows[:min(limit, len(rows))] {
		d := &pb.NoticeDelivery{At: timestamppb.New(r.At), Receiver: r.Receiver, SiteId: r.SiteID, Outcome: r.Outcome, Answer: r.Answer, NoticeKey: r.NoticeKey}
		for i, subject := range r.Subject {
			d.Changes = append(d.Changes, &pb.NoticeChange{Subject: subject, State: r.State[i]})
		}
		out.Deliveries = append(out.Deliveries, d)
	}
	latest, receivers, err := s.load(ctx)
	if err != nil {
		return nil, err
	}
	for _, c := range s.config.Receivers {
		out.Receivers = append(out.Receivers, &pb.NoticeReceiver{Name: c.Name, Way: c.kind(), SiteIds: c.Sites})
		bySite, _ := pending(latest, receivers[c.Name])
		for _, site := range sorted(bySite) {
			for _, change := range bySite[site] {
				item := itemOf(change, receivers[c.Name].told[change.Subject].TellState, "")
				out.Waiting = append(out.Waiting, &pb.WaitingChange{
					Receiver: c.Name, SiteId: site, Subject: change.Subject, State: change.State, Headline: item.Headline, SeenAt: timestamppb.New(change.SeenAt),
				})
			}
		}
	}
	return out, nil
}

// TestReceivers sends each receiver a test and returns what came back.
func (s Server) TestReceivers(ctx context.Context, req *pb.TestReceiversRequest) (*pb.TestReceiversResponse, error) {
	if id := access.FromContext(ctx); !id.MayAdminister() {
		return nil, access.Denied("%s may not send tests; a quality manager's certificate is needed", id)
	}
	tests, err := s.Test(ctx, req.Receiver)
	if err != nil {
		return nil, err
	}
	out := &pb.TestReceiversResponse{}
	for _, t := range tests {
		out.Tests = append(out.Tests, &pb.ReceiverTest{Receiver: t.Receiver, Way: t.Way, Taken: t.Err == nil, Answer: t.Answer, Seconds: t.Took.Seconds()})
	}
	return out, nil
}

// Tested is what came of a test.
type Tested struct {
	Receiver, Way string
	Answer        string // what the receiver said, or the error
	Err           error  // nil: it took the test
	Took          time.Duration
}

// Test sends a test to the receiver of that name, or to all, side by side.
func (s *Service) Test(ctx context.Context, name string) ([]Tested, error) {
	chosen := s.config.Receivers
	if name != "" {
		i := slices.IndexFunc(chosen, func(r Receiver) bool { return r.Name == name })
		if i < 0 {
			return nil, &wire.FieldError{Field: "receiver", Reason: fmt.Sprintf("is %q; the configuration names %s", name, names(chosen))}
		}
		chosen = chosen[i : i+1]
	}
	tests := make([]Tested, len(chosen))
	var all sync.WaitGroup
	for i, r := range chosen {
		all.Go(func() {
			began := time.Now()
			answer, err := s.send(ctx, r, testNotice(r.Name, s.replica, s.now()))
			if err != nil {
				answer = short(err.Error())
			}
			tests[i] = Tested{Receiver: r.Name, Way: r.kind(), Answer: answer, Err: err, Took: time.Since(began)}
		})
	}
	all.Wait()
	return tests, nil
}

func names(all []Receiver) string {
	if len(all) == 0 {
		return "no receivers"
	}
	var n []string
	for _, r := range all {
		n = append(n, r.Name)
	}
	return strings.Join(n, ", ")
}
