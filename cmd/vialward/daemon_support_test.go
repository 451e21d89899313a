package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"mime"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/alerts/mail"
	"vialward/cmd/vialward/internal/app"
	"vialward/cmd/vialward/internal/config"
	"vialward/cmd/vialward/internal/passwords"
	"vialward/db/dbtest"
	"vialward/tracker"
	"vialward/tracker/stock"
)

// asVialward makes this test binary the program itself, so that it can be killed as one.
const asVialward = "VIALWARD_TEST_AS_PROGRAM"

func TestMain(m *testing.M) {
	if os.Getenv(asVialward) != "" {
		main()
	}
	// What the person who runs the tests has set for a vialward of theirs wins over a test's own configuration.
	for _, name := range []string{config.EnvDSN, config.EnvState, config.EnvMailPassword} {
		if err := os.Unsetenv(name); err != nil {
			panic(err)
		}
	}
	folder, err := os.MkdirTemp("", "vw-secret")
	if err != nil {
		panic(err)
	}
	passwordFile = filepath.Join(folder, "password")
	if err := os.WriteFile(passwordFile, []byte(password+"\n"), 0o600); err != nil {
		panic(err)
	}
	code := m.Run()
	_ = os.RemoveAll(folder)
	os.Exit(code)
}

// password of everybody in these tests, and a file with it.
const password = "kettle moss of the tests"

var passwordFile string

// secrets gives people of the invented site the password, hashed at no cost: what checks it goes by the hash.
func secrets(t *testing.T, configFile string) {
	t.Helper()
	light(t, configFile, func(k *tracker.Tracker, site string) {
		require.NoError(t, k.FirstAdministrator(t.Context(), site, tracker.Account("root"), "admin", password))
	})
	give(t, configFile, "tech-1", "rph-1")
}

// give has the administrator give people the password.
func give(t *testing.T, configFile string, people ...string) {
	t.Helper()
	light(t, configFile, func(k *tracker.Tracker, site string) {
		for _, p := range people {
			start, _, err := k.ResetPassword(t.Context(), site, tracker.Actor{Person: stock.Person{Code: "admin"}, Via: tracker.ViaMachine}, p)
			require.NoError(t, err)
			_, err = k.SetPassword(t.Context(), site, p, start, password, tracker.From{})
			require.NoError(t, err)
		}
	})
}

func light(t *testing.T, configFile string, f func(k *tracker.Tracker, site string)) {
	t.Helper()
	b, err := app.Open(t.Context(), configFile, io.Discard)
	require.NoError(t, err)
	b.Tracker.Door = tracker.NewDoor(passwords.Light())
	sites, err := b.Tracker.Store.Sites(t.Context())
	require.NoError(t, err)
	f(b.Tracker, sites[0])
	require.NoError(t, b.Close())
}

// until asks again and again, for a minute at most: what a test waits for is there within seconds, or never.
func until(t *testing.T, what string, ask func() bool) {
	t.Helper()
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	end := time.After(time.Minute)
	for !ask() {
		select {
		case <-tick.C:
		case <-end:
			require.Fail(t, "still not: "+what)
		}
	}
}

// place is a configured daemon's surroundings: its files, its database, and the relay that catches its mails. The relay
// is given a second, so that what a killed daemon had claimed is claimed again within twelve (mail.Sender).
type place struct {
	folder, config, dsn string // dsn "" = a private Postgres under folder
	caught              *mail.Catcher
	token               string                    // rph-1's, who may do everything that is done here
	came                atomic.Pointer[time.Time] // the newest mail
}

// newPlace writes a configuration; more is further sections of it.
func newPlace(t *testing.T, dsn, more string) *place {
	t.Helper()
	folder, err := os.MkdirTemp("", "vw") //nolint:usetesting // short: a socket lies in it
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, os.RemoveAll(folder)) })
	require.NoError(t, os.Chmod(folder, 0o755)) // a private Postgres may run as another user
	p := &place{folder: folder, config: filepath.Join(folder, "vialward.toml"), dsn: dsn}
	p.caught, err = mail.NewCatcher("127.0.0.1:0", func(mail.Mail) { now := time.Now(); p.came.Store(&now) })
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, p.caught.Close()) })
	text := fmt.Sprintf("[state]\nfolder = %q\n[http]\nlisten = \"127.0.0.1:0\"\n[mail]\nrelay = %q\ntls = \"none\"\nfrom = \"vialward@site.example\"\ntimeout = \"1 s\"\n",
		folder, p.caught.Addr())
	if dsn != "" {
		text += fmt.Sprintf("[database]\ndsn = %q\n", dsn)
	}
	require.NoError(t, os.WriteFile(p.config, []byte(text+more), 0o600))
	return p
}

// edit changes the configuration.
func (p *place) edit(t *testing.T, old, instead string) {
	t.Helper()
	text, err := os.ReadFile(p.config)
	require.NoError(t, err)
	require.Contains(t, string(text), old)
	require.NoError(t, os.WriteFile(p.config, []byte(strings.Replace(string(text), old, instead, 1)), 0o600))
}

// setUp is newPlace on a database of its own, with the invented site and a token.
func setUp(t *testing.T, more string) *place {
	t.Helper()
	p := newPlace(t, dbtest.Fresh(t), more)
	p.load(t)
	return p
}

// do is one command, which must succeed.
func (p *place) do(t *testing.T, into any, args ...string) {
	t.Helper()
	done(t, into, append([]string{"--config", p.config}, args...)...)
}

func (p *place) load(t *testing.T) {
	t.Helper()
	var out struct {
		Token string `json:"token"`
	}
	p.do(t, &out, "site", "load", inventedSite(t))
	secrets(t, p.config)
	p.do(t, &out, "token", "make", "rph-1", "--as", "rph-1", "--name", "test")
	require.NotEmpty(t, out.Token)
	p.token = out.Token
}

// inventedSite is the demonstration's site file for the clock of the machine: its people stay competent.
func inventedSite(t *testing.T) string {
	t.Helper()
	text, err := os.ReadFile("internal/demo/site.toml")
	require.NoError(t, err)
	file := filepath.Join(t.TempDir(), "site.toml")
	require.NoError(t, os.WriteFile(file, regexp.MustCompile(`until = "20\d\d-`).ReplaceAll(text, []byte(`until = "2099-`)), 0o600))
	return file
}

// stocked prepares, labels, verifies and places vials in R1, ago before now and within a minute.
func (p *place) stocked(t *testing.T, count int, ago time.Duration) (codes []string) {
	t.Helper()
	at := func(d time.Duration) string { return time.Now().Add(d - ago).Format(time.RFC3339) }
	var made struct {
		Vials []struct {
			Code string `json:"code"`
		} `json:"vials"`
	}
	p.do(t, &made, "batch", "prepare", "--as", "tech-1", "--product", "PANT", "--count", strconv.Itoa(count), "--area", "PA-1",
		"--started", at(-30*time.Minute), "--completed", at(0),
		"--component", "pantoprazole, powder,L1,expires=2099-12", "--component", "sodium chloride 0.9 %,S1,expires=2099-12",
		"--component", "sterile 20 mL glass vial,C1,expires=2099-12")
	for _, v := range made.Vials {
		codes = append(codes, v.Code)
	}
	require.Len(t, codes, count)
	var out map[string]any
	p.do(t, &out, append([]string{"vial", "label", "--as", "tech-1", "--at", at(20 * time.Second)}, codes...)...)
	p.do(t, &out, append([]string{"vial", "verify", "--as", "rph-1", "--at", at(40 * time.Second)}, codes...)...)
	p.do(t, &out, append([]string{"vial", "place", "--as", "tech-1", "--at", at(time.Minute), "--to", "R1/A"}, codes...)...)
	return codes
}

// recounts says that every vial's row is the sum of its events, and the whole record sound.
func (p *place) recounts(t *testing.T) {
	t.Helper()
	var out struct {
		Vials   int      `json:"vials"`
		Differs []string `json:"differs"`
	}
	p.do(t, &out, "record", "recount")
	require.Positive(t, out.Vials)
	require.Empty(t, out.Differs)
	p.sound(t)
}

// sound walks the record from outside and answers its head.
func (p *place) sound(t *testing.T, args ...string) string {
	t.Helper()
	var out verifiedDocument
	p.do(t, &out, append([]string{"record", "verify"}, args...)...)
	require.Len(t, out.Sites, 1)
	require.True(t, out.Sites[0].Sound)
	require.Empty(t, out.Sites[0].Faults)
	return out.Sites[0].Head
}

// program is vialward in a process of its own.
type program struct {
	*exec.Cmd
	url   string
	token string
	ended chan error // its Wait
	said  *spoken    // stdout and stderr
}

// spoken is what a process says, readable while it runs.
type spoken struct {
	mu   sync.Mutex
	text bytes.Buffer
}

func (s *spoken) Write(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.text.Write(p)
}

func (s *spoken) String() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.text.String()
}

var urlSaid = regexp.MustCompile(`on (https?://127\.0\.0\.1:\d+)\n`)

// start runs binary ("" = this one, which is the program too) as the daemon, and waits until it is ready.
func (p *place) start(t *testing.T, binary string) *program {
	t.Helper()
	g := p.begin(t, binary)
	until(t, "the daemon is ready", func() bool {
		if len(g.ended) > 0 {
			require.Fail(t, "the daemon ended", g.said)
		}
		if m := urlSaid.FindStringSubmatch(g.said.String()); m != nil {
			g.url = m[1]
		}
		return g.url != "" && g.get("/readyz") == http.StatusOK
	})
	return g
}

// begin starts it and waits for nothing.
func (p *place) begin(t *testing.T, binary string) *program {
	t.Helper()
	if binary == "" {
		binary = os.Args[0]
	}
	g := &program{Cmd: exec.Command(binary, "--config", p.config, "daemon"), token: p.token, ended: make(chan error, 1), said: &spoken{}}
	g.Env = append(os.Environ(), asVialward+"=1")
	g.Stdout, g.Stderr = g.said, g.said
	require.NoError(t, g.Start())
	go func() { g.ended <- g.Wait() }()
	t.Cleanup(func() {
		g.kill()
		if t.Failed() {
			t.Logf("the daemon said:\n%s", g.said)
		}
	})
	return g
}

// kill ends it as an outage does, and waits for its end. A second time does no harm.
func (g *program) kill() {
	_ = g.Process.Kill() // it may be gone already
	g.ended <- <-g.ended
}

// stop ends it as its service manager does; it must end well.
func (g *program) stop(t *testing.T) {
	t.Helper()
	require.NoError(t, g.Process.Signal(syscall.SIGTERM))
	until(t, "the daemon ends", func() bool { return len(g.ended) > 0 })
	err := <-g.ended
	g.ended <- err
	require.NoError(t, err, "%s", g.said)
}

// get is the status of a page; 0 = no answer.
func (g *program) get(path string) int {
	r, err := http.Get(g.url + path)
	if err != nil {
		return 0
	}
	defer r.Body.Close()
	return r.StatusCode
}

// answer of the API. Status 0 = none came.
type answer struct {
	status int
	media  string
	body   []byte
	err    error
}

// api asks as the token's person; body nil = GET.
func (g *program) api(path, media string, body io.Reader) answer {
	r, err := g.request(path, media, body)
	if err != nil {
		return answer{err: err}
	}
	return ask(http.DefaultClient, r)
}

func (g *program) request(path, media string, body io.Reader) (*http.Request, error) {
	method := http.MethodPost
	if body == nil {
		method = http.MethodGet
	}
	r, err := http.NewRequest(method, g.url+"/api/v1"+path, body)
	if err != nil {
		return nil, err
	}
	r.Header.Set("Authorization", "Bearer "+g.token)
	r.Header.Set("Content-Type", media)
	return r, nil
}

func ask(client *http.Client, r *http.Request) answer {
	got, err := client.Do(r)
	if err != nil {
		return answer{err: err}
	}
	defer got.Body.Close()
	text, err := io.ReadAll(got.Body)
	if err != nil {
		return answer{err: err}
	}
	kind, _, _ := mime.ParseMediaType(got.Header.Get("Content-Type"))
	return answer{status: got.StatusCode, media: kind, body: text}
}

// read asks for a document that must come.
func (g *program) read(t *testing.T, path string, into any) {
	t.Helper()
	a := g.api(path, "", nil)
	require.NoError(t, a.err)
	require.Equal(t, http.StatusOK, a.status, "%s: %s", path, a.body)
	require.NoError(t, json.Unmarshal(a.body, into), "%s", a.body)
}

// rows of a post of readings that was taken in.
func (a answer) rows(t *testing.T) (rows map[string]int64) {
	t.Helper()
	require.NoError(t, a.err)
	require.Equal(t, http.StatusOK, a.status, "%s", a.body)
	var said struct {
		Rows map[string]int64 `json:"rows"`
	}
	require.NoError(t, json.Unmarshal(a.body, &said), "%s", a.body)
	return said.Rows
}

// complaint is what is wrong with an answer that refuses: it is a problem document with a sentence (RFC 9457).
func (a answer) complaint() string {
	var p struct {
		Title  string `json:"title"`
		Detail string `json:"detail"`
		Status int    `json:"status"`
	}
	switch err := json.Unmarshal(a.body, &p); {
	case a.err != nil:
		return a.err.Error()
	case a.media != "application/problem+json", err != nil, p.Title == "", p.Status != a.status:
		return fmt.Sprintf("no problem document: %d %s %s", a.status, a.media, a.body)
	case len(strings.Fields(p.Detail)) < 4:
		return "no sentence: " + p.Detail
	}
	return ""
}

// csv is readings of T1 (the sensor of R1) in the plain form, one each step up to an instant.
func csv(to time.Time, count int, step time.Duration, celsius string) string {
	var b strings.Builder
	b.WriteString("sensor,at,celsius\n")
	for n := count - 1; n >= 0; n-- {
		fmt.Fprintf(&b, "T1,%s,%s\n", to.Add(-time.Duration(n)*step).UTC().Format(time.RFC3339Nano), celsius)
	}
	return b.String()
}

// event of the record, as far as is looked at here.
type event struct {
	Seq   int64    `json:"seq"`
	Kind  string   `json:"kind"`
	Vials []string `json:"vials"`
	Body  struct {
		To   string `json:"to"`
		Note string `json:"note"`
	} `json:"body"`
}

// record is the whole of it by its running number.
func (g *program) record(t *testing.T) map[int64]event {
	t.Helper()
	all := map[int64]event{}
	for after := int64(0); ; {
		var page struct {
			Events []event `json:"events"`
			Next   int64   `json:"next_after"`
		}
		g.read(t, fmt.Sprintf("/events?limit=1000&after=%d", after), &page)
		if len(page.Events) == 0 {
			return all
		}
		for _, e := range page.Events {
			all[e.Seq] = e
		}
		after = page.Next
	}
}

// sent is a row of the outbox.
type sent struct {
	To        string `json:"to"`
	Subject   string `json:"subject"`
	State     string `json:"state"`
	Attempts  int    `json:"attempts"`
	LastError string `json:"last_error"`
	MessageID string `json:"message_id"`
}

// outbox is every mail there is, newest first.
func (g *program) outbox(t *testing.T) []sent {
	t.Helper()
	var page struct {
		Mails []sent `json:"mails"`
	}
	g.read(t, "/outbox?limit=1000", &page)
	return page.Mails
}

// cases is the excursions there are, newest first, without when they were noticed.
func (g *program) cases(t *testing.T) []excursion {
	t.Helper()
	var page struct {
		Cases []excursion `json:"cases"`
	}
	g.read(t, "/cases?limit=1000", &page)
	return page.Cases
}

type excursion struct {
	Case       int64  `json:"case"`
	Unit       string `json:"unit"`
	Kind       string `json:"kind"`
	State      string `json:"state"`
	From       string `json:"from"`
	To         string `json:"to"`
	Excursions []struct {
		Sensor   string  `json:"sensor"`
		From     string  `json:"from"`
		To       string  `json:"to"`
		Extreme  float64 `json:"extreme_celsius"`
		Readings int     `json:"readings"`
	} `json:"excursions"`
}

// holds is the cases that hold a vial.
func (g *program) holds(t *testing.T, vial string) []int64 {
	t.Helper()
	var life struct {
		Vial struct {
			Cases []int64 `json:"cases"`
		} `json:"vial"`
	}
	g.read(t, "/vials/"+vial, &life)
	return life.Vial.Cases
}

// allSent waits until every mail is with the relay.
func (g *program) allSent(t *testing.T) (mails []sent) {
	t.Helper()
	until(t, "every mail is accepted", func() bool {
		mails = g.outbox(t)
		for _, m := range mails {
			if m.State != "accepted" {
				return false
			}
		}
		return true
	})
	return mails
}
