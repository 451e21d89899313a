// Package metrics shows the snapshot of all sites to Prometheus, and is the only importer of its client library.
//
// A scrape asks nothing of the database: the page is encoded once a snapshot and served as bytes, so ten scrapers cost
// as much as one, and a database that is away leaves the last page standing with its growing age. Labels are codes a
// site's file bounds (site, unit, product, sensor) or closed lists; never a vial, batch, person or address.
package metrics

import (
	"bytes"
	"fmt"
	"net/http"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/common/expfmt"

	"vialward/tracker"
)

// Page is the text at /metrics.
type Page struct {
	mu      sync.RWMutex
	body    []byte
	taken   time.Time // by the machine's clock, as failures and ages are
	failed  int64
	healthy bool
}

// Update encodes a snapshot taken at an instant of the machine's clock.
func (p *Page) Update(s tracker.Snapshot, taken time.Time) error {
	r := prometheus.NewRegistry()
	if err := r.Register(numbers{s}); err != nil {
		return fmt.Errorf("register the snapshot: %w", err)
	}
	families, err := r.Gather()
	if err != nil {
		return fmt.Errorf("gather the snapshot: %w", err)
	}
	var b bytes.Buffer
	e := expfmt.NewEncoder(&b, expfmt.NewFormat(expfmt.TypeTextPlain))
	for _, f := range families {
		if err := e.Encode(f); err != nil {
			return fmt.Errorf("encode %s: %w", f.GetName(), err)
		}
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	p.body, p.taken, p.healthy = b.Bytes(), taken, true
	return nil
}

// Fail says that a snapshot could not be taken: the last one stands, and the page says so.
func (p *Page) Fail() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.failed++
	p.healthy = false
}

// Handler serves the page as of now, the machine's clock.
func (p *Page) Handler(now func() time.Time) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		p.mu.RLock()
		body, taken, failed, healthy := p.body, p.taken, p.failed, p.healthy
		p.mu.RUnlock()
		up := 0
		if healthy {
			up = 1
		}
		w.Header().Set("Content-Type", "text/plain; version=0.0.4; charset=utf-8")
		_, _ = w.Write(body) // a scraper that has gone needs no answer
		fmt.Fprintf(w, "# HELP vialward_database_up Whether the last snapshot could be read from the database.\n# TYPE vialward_database_up gauge\nvialward_database_up %d\n", up)
		fmt.Fprintf(w, "# HELP vialward_snapshot_failures_total Snapshots that could not be taken since the start.\n# TYPE vialward_snapshot_failures_total counter\nvialward_snapshot_failures_total %d\n", failed)
		if !taken.IsZero() {
			fmt.Fprintf(w, "# HELP vialward_snapshot_age_seconds Age of the numbers on this page.\n# TYPE vialward_snapshot_age_seconds gauge\nvialward_snapshot_age_seconds %.3f\n", now().Sub(taken).Seconds())
		}
	})
}
