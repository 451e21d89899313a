package main

import (
	"bytes"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// stream is an endless text or noise, cut at a length and never in memory; sent is what was asked of it.
type stream struct {
	head string
	fill func([]byte)
	left int64
	sent atomic.Int64
}

func (s *stream) Read(p []byte) (int, error) {
	if s.left == 0 {
		return 0, io.EOF
	}
	n := int(min(int64(len(p)), s.left))
	k := copy(p[:n], s.head)
	s.head = s.head[k:]
	s.fill(p[k:n])
	s.left -= int64(n)
	s.sent.Add(int64(n))
	return n, nil
}

// repeated fills with a text over and over, without a break between two reads.
func repeated(text string) func([]byte) {
	text, at := strings.Repeat(text, 1<<16), 0
	return func(p []byte) {
		for len(p) > 0 {
			n := copy(p, text[at:])
			at, p = (at+n)%len(text), p[n:]
		}
	}
}

func random(seed uint64) func([]byte) {
	r := rand.NewChaCha8([32]byte{byte(seed)})
	return func(p []byte) { _, _ = r.Read(p) } // it cannot fail
}

const megabyte = 1 << 20

// A hundred megabytes that are no readings, of every kind that could make a reader of them hoard, are refused with a
// sentence after a few of them; only where a sensor that is set up could still come, later. So is a file of noise. None
// fills the memory. The program is the one that is shipped: the race detector takes memory of its own.
func TestNoiseIsRefusedEarly(t *testing.T) {
	t.Parallel()
	binary := filepath.Join(t.TempDir(), "vialward")
	out, err := exec.Command("go", "build", "-o", binary, ".").CombinedOutput()
	require.NoError(t, err, "%s", out)
	logs := t.TempDir()
	p := setUp(t, fmt.Sprintf("[intake]\nfolder = %q\nsettle = \"1 s\"\n", logs))
	g := p.start(t, binary)

	noise := random(1)
	file, err := os.Create(filepath.Join(logs, "noise.csv"))
	require.NoError(t, err)
	_, err = io.Copy(file, &stream{fill: noise, left: 20 * megabyte})
	require.NoError(t, err)
	require.NoError(t, file.Close())

	row := "nobody,2025-11-12T11:00:00Z,4.5\n"
	for _, c := range []struct {
		name, media, head string
		fill              func([]byte)
		status            int
		within            int64 // megabytes
	}{
		{"noise", "text/csv", "", noise, 400, 8},
		{"a line without end", "text/csv", "", repeated("a"), 400, 12},
		{"a row without end", "text/csv", "sensor,at,celsius\n", repeated("1"), 400, 12},
		{"a quote without end", "text/csv", "sensor,at,celsius\n\"", repeated("1,\n"), 400, 8},
		{"fields without end", "text/csv", "sensor,at,celsius\n", repeated(",1"), 400, 12},
		{"lines without anything", "text/csv", "sensor,at,celsius\n", repeated("\n"), 400, 8},
		{"noise as JSON", "application/json", "", noise, 400, 8},
		{"arrays in arrays", "application/json", "", repeated("["), 400, 8},
		{"a string without end", "application/json", `[{"sensor":"`, repeated("T"), 400, 8},
		{"a number without end", "application/json", `[{"sensor":"T1","celsius":1`, repeated("1"), 400, 8},
		{"a field passed over without end", "application/json", `[{"other":`, repeated("["), 400, 8},
		{"noise as lines of JSON", "application/x-ndjson", "", noise, 400, 8},
		{"a blank without end", "application/json", "", repeated(" "), 400, 8},
		{"a line without end behind rows", "text/csv", csv(time.Now().Add(-time.Hour), 5, time.Minute, "5.0"), repeated("a"), 400, 12},
		{"rows of nobody's sensor", "text/csv", "sensor,at,celsius\n", repeated(row), 400, 40},
	} {
		s := &stream{head: c.head, fill: c.fill, left: 100 * megabyte}
		begun := time.Now()
		a := g.api("/readings", c.media, s)
		t.Logf("%-32s %d after %3d MB and %6s, %4d MB at most: %s", c.name, a.status, s.sent.Load()/megabyte, time.Since(begun).Round(time.Millisecond),
			g.mostMemory(t)/megabyte, bytes.TrimSpace(a.body))
		require.NoError(t, a.err, c.name)
		require.Equal(t, c.status, a.status, c.name)
		require.Empty(t, a.complaint(), c.name)
		require.Less(t, len(a.body), 2048, "%s: a sentence, not the noise again", c.name)
		require.Less(t, s.sent.Load(), c.within*megabyte, c.name)
	}

	report := filepath.Join(logs, "refused", "noise.csv.report.txt")
	until(t, "the file is refused", func() bool { _, err := os.Stat(report); return err == nil })
	said, err := os.ReadFile(report)
	require.NoError(t, err)
	require.Contains(t, string(said), "noise.csv was refused whole")
	require.Less(t, len(said), 4096, "a report is for people")
	require.NoFileExists(t, filepath.Join(logs, "noise.csv"))

	rows := g.api("/readings", "text/csv", strings.NewReader(csv(time.Now(), 3, time.Minute, "5.0"))).rows(t)
	require.Equal(t, int64(3), rows["stored"], "it goes on as if nothing had been")
	require.Equal(t, http.StatusOK, g.get("/readyz"))
	require.Less(t, g.mostMemory(t), int64(150*megabyte), "at its fullest")
	g.stop(t)
}

var highWater = regexp.MustCompile(`VmHWM:\s+(\d+) kB`)

// mostMemory is the most that the process ever had resident, in bytes (proc_pid_status(5)).
func (g *program) mostMemory(t *testing.T) int64 {
	t.Helper()
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", g.Process.Pid))
	require.NoError(t, err)
	m := highWater.FindSubmatch(text)
	require.NotNil(t, m, "%s", text)
	kilobytes, err := strconv.ParseInt(string(m[1]), 10, 64)
	require.NoError(t, err)
	return kilobytes << 10
}
