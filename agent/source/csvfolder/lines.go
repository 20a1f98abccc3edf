package csvfolder

import (
	"bytes"
	"fmt"
	"hash"
	"io"
)

// maxLine is the longest line taken, bytes.
const maxLine = 1 << 20

// lines reads lines from a file in a buffer that does not grow past maxLine.
type lines struct {
	r      io.Reader
	hash   hash.Hash // of all bytes read; may be nil
	buffer []byte
	start  int // of what is not yet given out
	end    int // of what is in the buffer
	eof    bool
	number int // of the line last given out, from 1
}

func newLines(r io.Reader, h hash.Hash) *lines {
	return &lines{r: r, hash: h, buffer: make([]byte, 64<<10)}
}

// next returns the next line without its end, valid until the next call.
// ended is false for a last line without a line end. At the end of the file it
// returns io.EOF.
func (l *lines) next() (line []byte, ended bool, err error) {
	searched := 0
	for {
		if i := bytes.IndexByte(l.buffer[l.start+searched:l.end], '\n'); i >= 0 {
			i += l.start + searched
			line = l.buffer[l.start:i]
			l.start = i + 1
			l.number++
			if n := len(line); n > 0 && line[n-1] == '\r' {
				line = line[:n-1]
			}
			return line, true, nil
		}
		searched = l.end - l.start
		if l.eof {
			if searched == 0 {
				return nil, false, io.EOF
			}
			line = l.buffer[l.start:l.end]
			l.start = l.end
			l.number++
			return line, false, nil
		}
		if searched >= maxLine {
			return nil, false, &Rejection{What: fmt.Sprintf("the line is longer than %d bytes", maxLine), Line: l.number + 1,
				Mend: "this is no table of lines; export it as CSV with a line for each sample"}
		}
		if l.start > 0 {
			copy(l.buffer, l.buffer[l.start:l.end])
			l.start, l.end = 0, searched
		}
		if l.end == len(l.buffer) {
			l.buffer = append(l.buffer, make([]byte, len(l.buffer))...)
		}
		n, err := l.r.Read(l.buffer[l.end:])
		if n > 0 && l.hash != nil {
			l.hash.Write(l.buffer[l.end : l.end+n])
		}
		l.end += n
		if err == io.EOF {
			l.eof = true
		} else if err != nil {
			return nil, false, fmt.Errorf("read line %d: %w", l.number+1, err)
		}
	}
}

// splitFields cuts a line into its fields, outer spaces and quotes removed. A
// quoted field may hold separators, and quotes written twice.
func splitFields(line []byte, separator byte) []string {
	var fields []string
	for {
		end := fieldEnd(line, separator)
		fields = append(fields, string(bareField(line[:end])))
		if end == len(line) {
			return fields
		}
		line = line[end+1:]
	}
}

// fieldEnd returns where the first field of a line ends: the index of the
// separator after it, or the line's length.
func fieldEnd(line []byte, separator byte) int {
	i := 0
	for i < len(line) && line[i] == ' ' {
		i++
	}
	if i < len(line) && line[i] == '"' {
		for i++; i < len(line); i++ {
			if line[i] != '"' {
				continue
			}
			if i+1 < len(line) && line[i+1] == '"' {
				i++
				continue
			}
			break
		}
		i = min(i, len(line))
	} else {
		i = 0
	}
	if j := bytes.IndexByte(line[i:], separator); j >= 0 {
		return i + j
	}
	return len(line)
}

// bareField removes outer spaces and quotes.
func bareField(f []byte) []byte {
	f = bytes.TrimSpace(f)
	if n := len(f); n >= 2 && f[0] == '"' && f[n-1] == '"' {
		f = bytes.TrimSpace(f[1 : n-1])
		if bytes.IndexByte(f, '"') >= 0 {
			f = bytes.ReplaceAll(f, []byte(`""`), []byte(`"`))
		}
	}
	return f
}
