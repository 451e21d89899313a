// Package schedule wakes jobs by cron expression, and is the only importer of cron.
//
// Cron only wakes. Measured of the library: on the nights clocks change it loses 02:30 and fires 01:30 twice, it
// remembers nothing of a run missed while the daemon was down, and a panic in a job ends the process unless Recover
// stands inside SkipIfStillRunning. So every job is woken often and asks the record what is due; what is due is done
// once, however often it is asked.
package schedule

import (
	"context"
	"fmt"
	"log/slog"
	"strings"
	"time"

	"github.com/robfig/cron/v3"
)

// Job is woken by its expression. Run gets a context that ends with Stop.
type Job struct {
	Name string
	Spec string // five fields, or @every; read in UTC
	Run  func(ctx context.Context)
}

// Schedule is a running set of jobs.
type Schedule struct {
	cron   *cron.Cron
	ids    map[string]cron.EntryID
	names  []string
	cancel context.CancelFunc
}

// New reads every expression; all mistakes come at once.
func New(ctx context.Context, log *slog.Logger, jobs []Job) (*Schedule, error) {
	ctx, cancel := context.WithCancel(ctx)
	l := logger{log}
	s := &Schedule{
		cron:   cron.New(cron.WithLocation(time.UTC), cron.WithChain(cron.SkipIfStillRunning(l), cron.Recover(l)), cron.WithLogger(l)),
		ids:    map[string]cron.EntryID{},
		cancel: cancel,
	}
	var wrong []string
	for _, j := range jobs {
		if err := Check(j.Spec); err != nil {
			wrong = append(wrong, fmt.Sprintf("%s: %v", j.Name, err))
			continue
		}
		id, err := s.cron.AddFunc(j.Spec, func() { j.Run(ctx) })
		if err != nil {
			wrong = append(wrong, fmt.Sprintf("%s: %v", j.Name, err))
			continue
		}
		s.ids[j.Name] = id
		s.names = append(s.names, j.Name)
	}
	if len(wrong) > 0 {
		cancel()
		return nil, fmt.Errorf("schedule: %s", strings.Join(wrong, "; "))
	}
	return s, nil
}

// Check refuses what the library would panic on (a zone alone), run in another zone, or never fire (30 February).
func Check(spec string) error {
	if strings.Contains(spec, "TZ=") {
		return fmt.Errorf("%q names a zone; expressions are read in UTC, and only wake", spec)
	}
	parsed, err := cron.ParseStandard(spec)
	if err != nil {
		return fmt.Errorf("%q is not a cron expression: %w", spec, err)
	}
	if parsed.Next(time.Date(2025, 1, 1, 0, 0, 0, 0, time.UTC)).IsZero() {
		return fmt.Errorf("%q never fires; use a day that exists", spec)
	}
	return nil
}

// Start begins to wake jobs.
func (s *Schedule) Start() { s.cron.Start() }

// Next says when each job is woken next, in the order given.
func (s *Schedule) Next(now time.Time) []Wake {
	out := make([]Wake, 0, len(s.names))
	for _, n := range s.names {
		out = append(out, Wake{n, s.cron.Entry(s.ids[n]).Schedule.Next(now.UTC())})
	}
	return out
}

// Wake is a job's next run.
type Wake struct {
	Name string
	At   time.Time
}

// Stop ends the jobs' contexts and waits for them.
func (s *Schedule) Stop() {
	s.cancel()
	<-s.cron.Stop().Done()
}

// logger passes the library's words on; its panics carry their stack.
type logger struct{ log *slog.Logger }

func (l logger) Info(msg string, kv ...any) { l.log.Debug("cron: "+msg, kv...) }
func (l logger) Error(err error, msg string, kv ...any) {
	l.log.Error("cron: "+msg, append([]any{"error", err}, kv...)...)
}
