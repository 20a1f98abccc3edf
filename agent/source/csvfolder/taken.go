package csvfolder

import (
	"bufio"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"strconv"
	"strings"
	"time"

	"rollcall/agent/spool"
)

// takenFile is the index of taken files, in the watched folder.
const takenFile = ".taken"

// takenKept is how many files the index remembers: at twenty files a day those
// of almost three years, in 3 MB of memory.
const takenKept = 20_000

// digest is the first half of a SHA-256.
type digest [16]byte

func (d digest) String() string { return hex.EncodeToString(d[:]) }

// record is what a file's record is known by.
type record struct {
	content digest // of the file's bytes; for a check of its time too
	id      digest // pull_id or check_id
}

// takenAs is the record a content was taken as.
type takenAs struct {
	id   digest
	at   time.Time
	name string
}

// taken remembers the content of every file taken, so that the same bytes are
// not taken for two records. On disk it is one line for each content,
//
//	CONTENT ID TIME "NAME"
//
// only ever added to, and flushed before the file is put away; when it holds
// twice as many lines as are remembered it is replaced by the newest. A line
// torn by a crash is passed over. Without the file it begins empty.
type taken struct {
	path  string
	most  int
	known map[digest]takenAs
	order []digest // oldest first
	lines int      // in the file
	torn  bool     // the file's last line may have no end
}

// openTaken reads the index at path; one that is not there is empty.
func openTaken(path string, most int) (*taken, error) {
	t := &taken{path: path, most: most, known: map[digest]takenAs{}}
	file, err := os.Open(path)
	if errors.Is(err, fs.ErrNotExist) {
		return t, nil
	}
	if err != nil {
		return nil, fmt.Errorf("read index of taken files: %w", err)
	}
	defer file.Close()
	r := bufio.NewReader(file)
	for {
		line, err := r.ReadString('\n')
		if err != nil && err != io.EOF {
			return nil, fmt.Errorf("read index of taken files: %w", err)
		}
		t.lines++
		if content, as, ok := parseTaken(strings.TrimSuffix(line, "\n")); ok {
			t.keep(content, as)
		}
		if err == io.EOF {
			t.torn = line != ""
			return t, nil
		}
	}
}

func parseTaken(line string) (content digest, as takenAs, ok bool) {
	parts := strings.SplitN(line, " ", 4)
	if len(parts) != 4 {
		return content, as, false
	}
	for i, d := range []*digest{&content, &as.id} {
		b, err := hex.DecodeString(parts[i])
		if err != nil || len(b) != len(d) {
			return content, as, false
		}
		copy(d[:], b)
	}
	var errTime, errName error
	as.at, errTime = time.Parse(time.RFC3339, parts[2])
	as.name, errName = strconv.Unquote(parts[3])
	return content, as, errTime == nil && errName == nil
}

func (t *taken) keep(content digest, as takenAs) {
	if _, is := t.known[content]; !is {
		t.order = append(t.order, content)
	}
	t.known[content] = as
	if over := len(t.order) - t.most; over > 0 {
		for _, old := range t.order[:over] {
			delete(t.known, old)
		}
		t.order = append(t.order[:0], t.order[over:]...)
	}
}

// other says why a record is not taken whose content was taken as another one;
// nil: it was not, or as this one.
func (t *taken) other(r record) *Rejection {
	as, is := t.known[r.content]
	if !is || as.id == r.id {
		return nil
	}
	return &Rejection{
		What: fmt.Sprintf("the same bytes were taken as %s on %s, with another kind, start, car, session, label, or whatever else the file's name and the mapping say of the record",
			as.name, as.at.Local().Format("2006-01-02 15:04:05")),
		Mend: "delete this copy; if it really is another record, or the first one was taken with wrong particulars, add a blank line at its end",
	}
}

// add remembers a record and returns when that is on disk.
func (t *taken) add(r record, name string, at time.Time) error {
	if as, is := t.known[r.content]; is && as.id == r.id {
		return nil
	}
	as := takenAs{r.id, at.UTC().Truncate(time.Second), name}
	if t.lines >= 2*t.most {
		return t.compact(r.content, as)
	}
	line := formatTaken(r.content, as)
	if t.torn {
		line = "\n" + line
	}
	if err := appendLine(t.path, line); err != nil {
		t.torn = true
		return fmt.Errorf("write index of taken files: %w", err)
	}
	t.lines++
	t.torn = false
	t.keep(r.content, as)
	return nil
}

func formatTaken(content digest, as takenAs) string {
	return fmt.Sprintf("%s %s %s %s\n", content, as.id, as.at.Format(time.RFC3339), strconv.Quote(as.name))
}

// compact replaces the file by the newest lines, one more among them.
func (t *taken) compact(content digest, as takenAs) error {
	t.keep(content, as)
	var b strings.Builder
	for _, d := range t.order {
		b.WriteString(formatTaken(d, t.known[d]))
	}
	if err := spool.WriteFile(t.path, []byte(b.String())); err != nil {
		return fmt.Errorf("write index of taken files: %w", err)
	}
	t.lines, t.torn = len(t.order), false
	return nil
}

func appendLine(path, line string) error {
	file, err := os.OpenFile(path, os.O_APPEND|os.O_CREATE|os.O_WRONLY, 0o644)
	if err != nil {
		return err
	}
	_, err = file.WriteString(line)
	return errors.Join(err, file.Sync(), file.Close())
}
