package uplink

import (
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"sort"
	"strings"
	"time"

	"go.uber.org/zap"
	"google.golang.org/protobuf/proto"

	"rollcall/agent/spool"
	pb "rollcall/proto/rollcall/v1"
)

// Aside says why a message was set aside. It is the JSON file beside the
// message's bytes, which are a StreamRequest without sequence.
type Aside struct {
	Sequence   uint64    `json:"sequence"`
	Code       string    `json:"code"`
	Reason     string    `json:"reason"`
	Field      string    `json:"field,omitempty"`
	Tries      int       `json:"tries"`
	SetAsideAt time.Time `json:"set_aside_at"`
	AppendedAt time.Time `json:"appended_at"`
	Message    string    `json:"message"`           // pull_begin, sample_block …
	Of         string    `json:"of,omitempty"`      // pull_id or check_id
	Channel    string    `json:"channel,omitempty"` // of a sample block
	Payload    string    `json:"payload"`           // file name of the bytes
}

// setAside writes a message to the folder. It is there when its JSON file is;
// after a crash between the two files the message is still in the spool.
func setAside(dir string, a Aside, payload []byte) error {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return fmt.Errorf("make folder of messages set aside: %w", err)
	}
	describe(&a, payload)
	name := fmt.Sprintf("%020d", a.Sequence)
	a.Payload = name + ".pb"
	text, err := json.MarshalIndent(a, "", "  ")
	if err != nil {
		return fmt.Errorf("set message %d aside: %w", a.Sequence, err)
	}
	if err := spool.WriteFile(filepath.Join(dir, a.Payload), payload); err != nil {
		return fmt.Errorf("set message %d aside: %w", a.Sequence, err)
	}
	if err := spool.WriteFile(filepath.Join(dir, name+".json"), append(text, '\n')); err != nil {
		return fmt.Errorf("set message %d aside: %w", a.Sequence, err)
	}
	return nil
}

// wantedDir is the folder in which AskAside leaves its requests.
func wantedDir(dir string) string { return filepath.Join(dir, "wanted") }

// AskAside asks the agent that sets aside into dir, whether it runs now or
// later, to set aside a message (its sequence number) or what is left of a
// record (pull_id or check_id) when the service next says that the registry
// does not know it. What the service takes is never set aside.
func AskAside(dir, what string) error {
	if err := os.MkdirAll(wantedDir(dir), 0o700); err != nil {
		return fmt.Errorf("ask to set %s aside: %w", what, err)
	}
	if err := os.WriteFile(filepath.Join(wantedDir(dir), filepath.Base(what)), nil, 0o600); err != nil {
		return fmt.Errorf("ask to set %s aside: %w", what, err)
	}
	return nil
}

// takeRequests takes what AskAside left, and says whether there was anything.
func (u *Uplink) takeRequests() bool {
	dir := wantedDir(u.config.AsideDir)
	entries, err := os.ReadDir(dir)
	if err != nil {
		if !errors.Is(err, os.ErrNotExist) {
			u.log.Warn("requests to set aside not read", zap.Error(err))
		}
		return false
	}
	asked := false
	for _, e := range entries {
		if err := os.Remove(filepath.Join(dir, e.Name())); err != nil {
			u.log.Warn("request to set aside not taken", zap.String("of", e.Name()), zap.Error(err))
			continue
		}
		u.byHand[e.Name()] = true
		asked = true
	}
	return asked
}

// describe says what a message is, as far as it can be decoded, and the file it
// came from where it says so.
func describe(a *Aside, payload []byte) (file string) {
	var m pb.StreamRequest
	if err := proto.Unmarshal(payload, &m); err != nil {
		a.Message = "not decodable"
		return ""
	}
	switch b := m.GetBody().(type) {
	case *pb.StreamRequest_PullBegin:
		file = b.PullBegin.GetHeader()["file_name"]
		a.Message, a.Of = "pull_begin", b.PullBegin.GetPullId()
	case *pb.StreamRequest_SampleBlock:
		a.Message, a.Of, a.Channel = "sample_block", b.SampleBlock.GetPullId(), b.SampleBlock.GetChannel()
	case *pb.StreamRequest_PullEnd:
		a.Message, a.Of = "pull_end", b.PullEnd.GetPullId()
	case *pb.StreamRequest_CalibrationCheck:
		a.Message, a.Of = "calibration_check", b.CalibrationCheck.GetCheckId()
	default:
		a.Message = "unknown"
	}
	return file
}

// CountAside returns how many messages have been set aside.
func CountAside(dir string) (int, error) {
	names, err := asideNames(dir)
	return len(names), err
}

func asideNames(dir string) ([]string, error) {
	entries, err := os.ReadDir(dir)
	if errors.Is(err, os.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("read folder of messages set aside: %w", err)
	}
	var names []string
	for _, e := range entries {
		if strings.HasSuffix(e.Name(), ".json") {
			names = append(names, e.Name())
		}
	}
	sort.Strings(names)
	return names, nil
}

// ListAside returns what has been set aside, oldest first, at most most.
func ListAside(dir string, most int) ([]Aside, error) {
	names, err := asideNames(dir)
	if err != nil {
		return nil, err
	}
	var list []Aside
	for _, name := range names[:min(len(names), most)] {
		text, err := os.ReadFile(filepath.Join(dir, name))
		if err != nil {
			return nil, fmt.Errorf("read message set aside: %w", err)
		}
		var a Aside
		if err := json.Unmarshal(text, &a); err != nil {
			return nil, fmt.Errorf("read message set aside %s: %w", name, err)
		}
		list = append(list, a)
	}
	return list, nil
}
