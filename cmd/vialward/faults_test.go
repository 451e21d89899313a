package main

import (
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"net/http"
	"os"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/db/dbtest"
)

// promised is what a daemon acknowledged, and what it was asked in all.
type promised struct {
	posts, acknowledged []string        // bodies of one reading each
	moves               map[int64]event // by the number each was answered with; Vials, To and Note as asked
	complaints          []string        // answers that were neither a promise nor a problem with a sentence
	refusals            map[int]int     // problems, by status
	at                  time.Time       // of the newest reading
	moved               int
	unsure              bool         // whether the move in hand was done: no answer came, or one that says nothing of it
	told                atomic.Int64 // how many of both were acknowledged
	crowded             atomic.Int64 // how many the crowd has sent
}

// crowd is how many other loggers post at the same time, so that posts go together into the record: good readings of
// units of their own, each at an instant of its own.
var crowd = []string{"T2", "T3", "T6", "T2", "T3", "T6"}

// work posts readings a tenth of a second apart, among a crowd that does so too, and moves vials, all until the daemon is
// gone or stop says so.
func (w *promised) work(g *program, codes []string, sensor, celsius string, stop <-chan struct{}) {
	var both sync.WaitGroup
	var mu sync.Mutex
	told := func(a answer) {
		mu.Lock()
		defer mu.Unlock()
		if a.err != nil || a.status == http.StatusOK {
			return
		}
		w.refusals[a.status]++
		if c := a.complaint(); c != "" {
			w.complaints = append(w.complaints, c)
		}
	}
	on := func() bool {
		select {
		case <-stop:
			return false
		default:
			return len(g.ended) == 0
		}
	}
	post := func(text string) {
		mu.Lock()
		w.posts = append(w.posts, text)
		mu.Unlock()
		a := g.api("/readings", "text/csv", strings.NewReader(text))
		told(a)
		if a.status == http.StatusOK {
			mu.Lock()
			w.acknowledged = append(w.acknowledged, text)
			mu.Unlock()
			w.told.Add(1)
		}
	}
	begun := w.at
	both.Go(func() {
		for on() {
			w.at = w.at.Add(100 * time.Millisecond)
			post(strings.Replace(csv(w.at, 1, 0, celsius), "T1,", sensor+",", 1))
		}
	})
	for _, other := range crowd {
		both.Go(func() {
			for on() {
				at := begun.Add(time.Duration(w.crowded.Add(1)) * time.Millisecond)
				post(strings.Replace(csv(at, 1, 0, "5.0"), "T1,", other+",", 1))
			}
		})
	}
	both.Go(func() {
		for on() {
			e := event{Kind: "moved", Vials: []string{codes[w.moved%len(codes)]}}
			e.Body.To, e.Body.Note = []string{"R1/B", "R2/A", "R1/A"}[w.moved/len(codes)%3], fmt.Sprintf("move %d", w.moved)
			body, err := json.Marshal(map[string]any{"vials": e.Vials, "to": e.Body.To, "note": e.Body.Note})
			if err != nil {
				panic(err) // strings can be encoded
			}
			a := g.api("/vials/place", "application/json", strings.NewReader(string(body)))
			var said struct {
				Event int64  `json:"event"`
				Code  string `json:"code"`
			}
			_ = json.Unmarshal(a.body, &said) // told looks at what cannot be read
			switch {
			case a.status == http.StatusOK:
				e.Seq = said.Event
				w.moves[e.Seq] = e
				w.told.Add(1)
			case said.Code == "there" && w.unsure: // it was done, and only the answer was lost
			default:
				told(a)
				w.unsure = true
				continue // and asked again
			}
			w.unsure = false
			w.moved++
		}
	})
	both.Wait()
}

// kept holds a running daemon to every promise.
func (w *promised) kept(t *testing.T, p *place, g *program) {
	t.Helper()
	require.NotEmpty(t, w.acknowledged)
	require.NotEmpty(t, w.moves)
	require.Empty(t, w.complaints)
	for status := range w.refusals {
		require.Equal(t, http.StatusServiceUnavailable, status, "nothing was asked that is wrong: %v", w.refusals)
	}
	require.Greater(t, 2*len(w.moves), w.moved, "most moves were acknowledged")
	all := "sensor,at,celsius\n"
	for _, text := range w.acknowledged {
		_, row, _ := strings.Cut(text, "\n")
		all += row
	}
	rows := g.api("/readings", "text/csv", strings.NewReader(all)).rows(t)
	require.Equal(t, int64(len(w.acknowledged)), rows["duplicate"], "acknowledged readings were lost: %v", rows)
	for _, text := range w.posts { // what was not acknowledged is sent again, and is harmless
		rows := g.api("/readings", "text/csv", strings.NewReader(text)).rows(t)
		require.Equal(t, int64(1), rows["stored"]+rows["duplicate"], "%v", rows)
	}
	record := g.record(t)
	for seq, e := range w.moves {
		require.Equal(t, e, record[seq], "an acknowledged move is in the record")
	}
	moves := map[string]int{}
	for _, e := range record {
		if moves[e.Body.Note]++; e.Kind == "moved" {
			require.Equal(t, 1, moves[e.Body.Note], "%s was asked again, and done twice", e.Body.Note)
		}
	}
	p.recounts(t)
}

// undisturbed holds what a daemon found in all posts, through whatever met it, to what another one, in peace, finds in
// them: the same excursions; and every vial that stood in R1 all the while is held by each.
func (w *promised) undisturbed(t *testing.T, g *program, codes []string) {
	t.Helper()
	calm := setUp(t, "")
	other := calm.start(t, "")
	all := "sensor,at,celsius\n"
	for _, text := range w.posts {
		_, row, _ := strings.Cut(text, "\n")
		all += row
	}
	rows := other.api("/readings", "text/csv", strings.NewReader(all)).rows(t)
	require.Equal(t, int64(len(w.posts)), rows["stored"])
	found := func(cases []excursion) (all []excursion, numbers []int64) {
		for _, c := range cases {
			if c.Unit == "R1" {
				numbers = append(numbers, c.Case)
			}
			c.Case = 0
			all = append(all, c)
		}
		return all, numbers
	}
	theirs, _ := found(other.cases(t))
	ours, numbers := found(g.cases(t))
	require.ElementsMatch(t, theirs, ours)
	require.Len(t, numbers, 1)
	for _, c := range codes {
		require.Subset(t, g.holds(t, c), numbers, "%s was there all the while", c)
	}
	other.stop(t)
}

// newPromises begins a while ago: before any move, and not so long that the logger's clock is in doubt.
func newPromises() *promised {
	at := time.Now().Add(-13 * time.Minute).Truncate(time.Second)
	return &promised{moves: map[int64]event{}, refusals: map[int]int{}, at: at}
}

// Killed outright at random moments while readings come in, vials are moved and mails are sent, and started again each
// time: nothing acknowledged is lost, and a mail is sent twice at most by as many kills as met it.
func TestKilledWhileVialsAreMoved(t *testing.T) {
	t.Parallel()
	kills := 5
	if os.Getenv("VIALWARD_LONG") != "" {
		kills = 50
	}
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 2))
	p := setUp(t, "")
	codes := p.stocked(t, 3, time.Hour)
	w := newPromises()
	sensors := []string{"T1", "T4", "T5", "T7"} // each in a unit of its own: a freeze and its mails in every round
	for n := range kills {
		g := p.start(t, "")
		moment := time.Duration(random.IntN(600)) * time.Millisecond
		timer := time.AfterFunc(moment, g.kill)
		w.work(g, codes, sensors[n%len(sensors)], []string{"-1.5", "5.0"}[n/len(sensors)%2], nil)
		timer.Stop()
	}
	g := p.start(t, "")
	w.kept(t, p, g)
	w.undisturbed(t, g, codes)
	mails := g.allSent(t)
	require.Greater(t, len(mails), 6, "the excursions were told")
	arrived, extra := map[string]int{}, 0
	for _, m := range p.caught.Mails() {
		id := m.MessageID + " to " + m.To
		if arrived[id]++; arrived[id] > 1 {
			extra++
		}
		require.LessOrEqual(t, arrived[id], 1+kills, "%s", m.Subject)
	}
	require.LessOrEqual(t, extra, kills*2, "a kill meets the mails under way: one on each of two connections")
	for _, m := range mails {
		require.Positive(t, arrived[m.MessageID+" to "+m.To], "accepted, and never arrived: %s", m.Subject)
		require.LessOrEqual(t, arrived[m.MessageID+" to "+m.To], m.Attempts, "%s", m.Subject)
	}
	t.Logf("%d of %d readings and %d of %d moves acknowledged; %d mails, %d of them again", len(w.acknowledged), len(w.posts), len(w.moves), w.moved, len(mails), extra)
	g.stop(t)
}

// The database goes away again and again, for a moment or a while: whoever asks gets a sentence, asking again is
// harmless, the daemon comes back by itself, and nothing acknowledged is lost.
func TestDatabaseAway(t *testing.T) {
	t.Parallel()
	p := setUp(t, "")
	codes := p.stocked(t, 3, time.Hour)
	g := p.start(t, "")
	w := newPromises()
	stop, ended := make(chan struct{}), make(chan struct{})
	go func() { defer close(ended); w.work(g, codes, "T1", "-1.5", stop) }()
	t.Cleanup(func() { g.kill(); <-ended })
	for range 10 {
		dbtest.Disconnect(t, p.dsn)
		again := w.told.Load() + 20
		until(t, "the daemon works again", func() bool { return w.told.Load() >= again })
	}
	open := dbtest.Shut(t, p.dsn)
	until(t, "the daemon says that it is not ready", func() bool { return g.get("/readyz") == http.StatusServiceUnavailable })
	require.Equal(t, http.StatusOK, g.get("/livez"), "a restart would not help")
	refused := g.api("/readings", "text/csv", strings.NewReader(csv(time.Now(), 1, 0, "5.0")))
	require.Equal(t, http.StatusServiceUnavailable, refused.status, "%s", refused.body)
	require.Empty(t, refused.complaint())
	open()
	until(t, "the daemon is ready again", func() bool { return g.get("/readyz") == http.StatusOK })
	close(stop)
	<-ended
	t.Logf("refused by status: %v", w.refusals)
	require.NotEmpty(t, w.refusals)
	w.kept(t, p, g)
	w.undisturbed(t, g, codes)
	require.NotEmpty(t, g.allSent(t))
	g.stop(t)
}

// Told to stop while many loggers post: what was received is stored and acknowledged, whoever comes later is not let in, and
// nobody is told that something went wrong.
func TestStoppedWhileManyPost(t *testing.T) {
	t.Parallel()
	p := setUp(t, "")
	g := p.start(t, "")
	var mu sync.Mutex
	var acknowledged []string
	others := map[int]string{}
	var told, sent atomic.Int64
	at := time.Now().Add(-10 * time.Minute).Truncate(time.Second)
	var loggers sync.WaitGroup
	for i := range 30 {
		sensor := []string{"T1", "T2", "T3", "T4", "T5", "T7"}[i%6]
		loggers.Go(func() {
			for {
				text := strings.Replace(csv(at.Add(time.Duration(sent.Add(1))*time.Millisecond), 1, 0, "5.0"), "T1,", sensor+",", 1)
				a := g.api("/readings", "text/csv", strings.NewReader(text))
				if a.err != nil {
					return
				}
				mu.Lock()
				if a.status == http.StatusOK {
					acknowledged = append(acknowledged, text)
				} else {
					others[a.status] = string(a.body)
				}
				mu.Unlock()
				told.Add(1)
			}
		})
	}
	until(t, "many have posted", func() bool { return told.Load() > 300 })
	require.NoError(t, g.Process.Signal(syscall.SIGTERM))
	loggers.Wait()
	until(t, "the daemon ends", func() bool { return len(g.ended) > 0 })
	err := <-g.ended
	g.ended <- err
	require.NoError(t, err, "%s", g.said)
	require.Empty(t, others)
	require.NotContains(t, g.said.String(), "level=ERROR")
	g = p.start(t, "")
	all := "sensor,at,celsius\n"
	for _, text := range acknowledged {
		_, row, _ := strings.Cut(text, "\n")
		all += row
	}
	require.Equal(t, int64(len(acknowledged)), g.api("/readings", "text/csv", strings.NewReader(all)).rows(t)["duplicate"], "acknowledged, and lost")
	g.stop(t)
}
