package main

import (
	"encoding/json"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/alerts/mail"
	"vialward/db/dbtest"
)

// A daemon from its first start to its end, on the private Postgres it brings along: commands work beside it, a warm
// refrigerator becomes a mail and holds, a second daemon on its port is refused, and nothing is left when it has ended.
func TestDaemonFromFirstStartToEnd(t *testing.T) {
	t.Parallel()
	p := newPlace(t, "", "")
	g := p.start(t, "")
	require.Equal(t, http.StatusOK, g.get("/livez"))
	p.load(t)
	g.token = p.token
	codes := p.stocked(t, 2, time.Hour)

	rows := g.api("/readings", "text/csv", strings.NewReader(csv(time.Now(), 9, 5*time.Minute, "9.5"))).rows(t)
	require.Equal(t, int64(9), rows["stored"])
	warm := func(m mail.Mail) bool { return strings.Contains(m.Subject, "WARM R1") }
	until(t, "a mail says so", func() bool { return slices.ContainsFunc(p.caught.Mails(), warm) })
	cases := g.cases(t)
	require.Len(t, cases, 1)
	require.Equal(t, "R1", cases[0].Unit)
	require.Equal(t, "warm", cases[0].Kind)
	require.Equal(t, "open", cases[0].State)
	for _, code := range codes {
		require.Equal(t, []int64{cases[0].Case}, g.holds(t, code), "%s is on hold", code)
	}
	refused := g.api("/vials/issue", "application/json", strings.NewReader(`{"vials":["`+codes[0]+`"],"destination":"ward 5"}`))
	require.NotEqual(t, http.StatusOK, refused.status, "a vial on hold was issued")
	require.Empty(t, refused.complaint())

	second := newPlace(t, dbtest.Fresh(t), "")
	text, err := os.ReadFile(second.config)
	require.NoError(t, err)
	text = []byte(strings.Replace(string(text), "127.0.0.1:0", strings.TrimPrefix(g.url, "http://"), 1))
	require.NoError(t, os.WriteFile(second.config, text, 0o600))
	code, _, stderr := vialward(t, "", "--config", second.config, "daemon")
	require.Equal(t, exitFailed, code)
	require.Contains(t, stderr, "is another daemon running there?")
	require.Equal(t, http.StatusOK, g.get("/readyz"), "the first one does not mind")

	g.stop(t)
	require.Zero(t, g.get("/livez"))
	require.Empty(t, runningIn(t, p.folder))
	require.NoFileExists(t, filepath.Join(p.folder, "postgres", "data", "postmaster.pid"))
}

// runningIn lists the processes whose command line names a folder.
func runningIn(t *testing.T, folder string) (found []string) {
	t.Helper()
	lines, err := filepath.Glob("/proc/[0-9]*/cmdline")
	require.NoError(t, err)
	require.NotEmpty(t, lines)
	for _, l := range lines {
		text, err := os.ReadFile(l)
		if err == nil && strings.Contains(string(text), folder) { // an error: it has ended meanwhile
			found = append(found, strings.ReplaceAll(string(text), "\x00", " "))
		}
	}
	return found
}

// A post under way when the daemon is told to stop is finished and answered.
func TestStoppingFinishesWhatIsUnderWay(t *testing.T) {
	t.Parallel()
	p := setUp(t, "")
	g := p.start(t, "")
	text := csv(time.Now(), 4, time.Minute, "5.0")
	body, sender := io.Pipe()
	r, err := g.request("/readings", "text/csv", body)
	require.NoError(t, err)
	r.Header.Set("Expect", "100-continue") // so that nothing is sent before the daemon has begun to read
	patient := &http.Client{Transport: &http.Transport{ExpectContinueTimeout: time.Minute}}
	answers := make(chan answer, 1)
	go func() { answers <- ask(patient, r) }()
	_, err = io.WriteString(sender, text[:len(text)/2])
	require.NoError(t, err)
	require.NoError(t, g.Process.Signal(syscall.SIGTERM))
	until(t, "the daemon takes nobody new", func() bool { return g.get("/livez") == 0 })
	_, err = io.WriteString(sender, text[len(text)/2:])
	require.NoError(t, err)
	require.NoError(t, sender.Close())
	require.Equal(t, int64(4), (<-answers).rows(t)["stored"])
	g.stop(t)
}

// check tries what a daemon needs before there is one.
func TestCheck(t *testing.T) {
	t.Parallel()
	type tried struct {
		Checks []struct {
			What string `json:"what"`
			OK   bool   `json:"ok"`
			Say  string `json:"say"`
		} `json:"checks"`
	}
	failed := func(text string) (what []string) {
		var out tried
		require.NoError(t, json.Unmarshal([]byte(text), &out), text)
		require.Greater(t, len(out.Checks), 8)
		for _, c := range out.Checks {
			require.NotEmpty(t, c.Say, c.What)
			if !c.OK {
				what = append(what, c.What)
			}
		}
		return what
	}

	p := setUp(t, "")
	code, stdout, stderr := vialward(t, "", "--json", "--config", p.config, "check")
	require.Equal(t, exitDone, code, stderr)
	require.Empty(t, failed(stdout))
	require.Empty(t, p.caught.Mails(), "trying the relay sends nothing")

	gone, err := mail.NewCatcher("127.0.0.1:0", nil)
	require.NoError(t, err)
	require.NoError(t, gone.Close())
	text, err := os.ReadFile(p.config)
	require.NoError(t, err)
	deaf := strings.Replace(string(text), p.caught.Addr(), gone.Addr(), 1)
	require.NoError(t, os.WriteFile(p.config, []byte(deaf), 0o600))
	code, stdout, stderr = vialward(t, "", "--json", "--config", p.config, "check")
	require.Equal(t, exitFailed, code)
	require.Equal(t, []string{"mail relay"}, failed(stdout))
	require.Contains(t, stderr, gone.Addr())

	before, rest, _ := strings.Cut(string(text), "[mail]")
	_, after, _ := strings.Cut(rest, "[database]")
	require.NoError(t, os.WriteFile(p.config, []byte(before+"[database]"+after), 0o600))
	code, stdout, stderr = vialward(t, "", "--json", "--config", p.config, "check")
	require.Equal(t, exitFailed, code)
	require.Equal(t, []string{"mail relay"}, failed(stdout))
	require.Contains(t, stderr, "none is configured")

	require.NoError(t, os.WriteFile(p.config, []byte("[http]\nlisten = \"0.0.0.0:8080\"\n[log]\nlevel = \"loud\"\n[schedule]\nslots = \"sometimes\"\n"), 0o600))
	code, _, stderr = vialward(t, "", "--config", p.config, "check")
	require.Equal(t, exitUsage, code)
	for _, key := range []string{"http.listen", "log.level", "schedule.slots"} {
		require.Equal(t, 1, strings.Count(stderr, key), "%s once in:\n%s", key, stderr)
	}
}
