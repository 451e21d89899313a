package db

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"vialward/tracker"
	"vialward/tracker/stock"
)

// asker is a transaction or the pool.
type asker interface {
	QueryRow(ctx context.Context, sql string, args ...any) pgx.Row
}

// newestVersion is the number of a site's document in force, null before the first one was loaded.
const newestVersion = `(select version from site_version v where v.site = s.site order by version desc limit 1)`

// site reads the newest document of a site.
func (d *DB) site(ctx context.Context, q asker, code string) (*stock.Site, error) {
	var id int32
	var zone string
	var version *int
	err := q.QueryRow(ctx, `select s.site, s.zone, `+newestVersion+` from site s where s.code = $1`, code).Scan(&id, &zone, &version)
	if errors.Is(err, pgx.ErrNoRows) {
		return nil, tracker.NotFound("site", code)
	}
	if err != nil {
		return nil, fmt.Errorf("read site %s: %w", code, err)
	}
	if version == nil {
		return &stock.Site{ID: id, Code: code, Zone: zone}, nil
	}
	return d.document(ctx, q, id, code, *version)
}

// document is one version of a site's set-up. Parsing the newest is kept between transactions: the version number, which
// each of them reads, says whether the kept one is still in force.
func (d *DB) document(ctx context.Context, q asker, id int32, code string, version int) (*stock.Site, error) {
	d.mu.Lock()
	kept := d.sites[code]
	d.mu.Unlock()
	if kept != nil && kept.ID == id && kept.Version == version {
		return kept, nil
	}
	var doc string
	if err := q.QueryRow(ctx, `select document from site_version where site = $1 and version = $2`, id, version).Scan(&doc); err != nil {
		return nil, fmt.Errorf("read site %s version %d: %w", code, version, err)
	}
	s := &stock.Site{}
	if err := json.Unmarshal([]byte(doc), s); err != nil {
		return nil, fmt.Errorf("site %s version %d is damaged: %w", code, version, err)
	}
	s.ID, s.Version = id, version
	d.mu.Lock()
	d.sites[code] = s
	d.mu.Unlock()
	return s, nil
}

// Sites lists all site codes.
func (d *DB) Sites(ctx context.Context) ([]string, error) {
	rows, err := d.pool.Query(ctx, `select code from site order by code`)
	if err != nil {
		return nil, away(fmt.Errorf("list sites: %w", err))
	}
	return pgx.CollectRows(rows, pgx.RowTo[string])
}

// NewSite makes a site without a document.
func (d *DB) NewSite(ctx context.Context, code, zone string) (int32, error) {
	var id int32
	err := d.pool.QueryRow(ctx, `with made as (
			insert into site (site, code, zone) select coalesce(max(site), 0) + 1, $1, $2 from site
			on conflict (code) do nothing returning site)
		select site from made union all select site from site where code = $1 limit 1`, code, zone).Scan(&id)
	if err != nil {
		return 0, fmt.Errorf("make site %s: %w", code, err)
	}
	return id, nil
}

// SaveSite hands the document over as a new version and each changed product as a version of its own.
func (t *tx) SaveSite(ctx context.Context, s stock.Site, changed []stock.Product, at time.Time) error {
	doc, err := json.Marshal(s)
	if err != nil {
		return err
	}
	t.bring(siteVersions, s.Version, at, string(doc))
	if _, err := t.q.Exec(ctx, `update site set zone = $2 where site = $1`, t.id, s.Zone); err != nil {
		return fmt.Errorf("store zone of site %s: %w", s.Code, err)
	}
	for _, p := range changed {
		doc, err := json.Marshal(p)
		if err != nil {
			return err
		}
		var approved *time.Time
		var by *string
		if p.ApprovedBy != "" && p.DraftBecause == "" {
			approved, by = &at, &p.ApprovedBy
		}
		t.bring(products, p.Code, p.Version, at, by, approved, string(doc))
	}
	s.ID = t.id
	t.site = &s // in force from here on
	return nil
}

// Product reads one version; version 0 is the newest.
func (t *tx) Product(ctx context.Context, code string, version int) (stock.Product, error) {
	var p stock.Product
	var doc string
	err := t.q.QueryRow(ctx, `select document from product_version
		where site = $1 and product = $2 and ($3 = 0 or version = $3) order by version desc limit 1`, t.id, code, version).Scan(&doc)
	if errors.Is(err, pgx.ErrNoRows) {
		return p, tracker.NotFound("product", code)
	}
	if err != nil {
		return p, fmt.Errorf("read product %s: %w", code, err)
	}
	if err := json.Unmarshal([]byte(doc), &p); err != nil {
		return p, fmt.Errorf("product %s version %d is damaged: %w", code, version, err)
	}
	return p, nil
}

// SetArea hands over a status; the newest that has begun counts.
func (t *tx) SetArea(area string, s stock.AreaStatus) {
	t.bring(areas, area, s.From, s.Category, s.Reason)
}

// Area adds the statuses recorded since to those of the site's document.
func (t *tx) Area(ctx context.Context, code string) (stock.Area, error) {
	a, ok := t.site.Area(code)
	if !ok {
		return a, tracker.NotFound("preparation area", code)
	}
	rows, err := t.q.Query(ctx, `select from_at, category, reason from area_status where site = $1 and area = $2 order by from_at, seq`, t.id, code)
	if err != nil {
		return a, fmt.Errorf("read area %s: %w", code, err)
	}
	since, err := pgx.CollectRows(rows, func(r pgx.CollectableRow) (stock.AreaStatus, error) {
		var s stock.AreaStatus
		err := r.Scan(&s.From, &s.Category, &s.Reason)
		return s, err
	})
	if err != nil {
		return a, fmt.Errorf("read area %s: %w", code, err)
	}
	a.Statuses = append(slices.Clone(a.Statuses), since...)
	return a, nil
}

// NextNumber counts up without holes: the counter's row lock lasts until commit.
func (t *tx) NextNumber(ctx context.Context, series string) (int64, error) {
	if err := t.Order(ctx); err != nil {
		return 0, err
	}
	return t.count(ctx, series, 1)
}

// count takes the next n numbers and answers the last of them.
func (t *tx) count(ctx context.Context, series string, n int) (last int64, err error) {
	err = t.q.QueryRow(ctx, `insert into counter (site, name, last) values ($1, $2, $3)
		on conflict (site, name) do update set last = counter.last + $3 returning last`, t.id, series, n).Scan(&last)
	if err != nil {
		return 0, fmt.Errorf("next number of %s: %w", series, err)
	}
	return last, nil
}

// Once inserts the job's slot, or finds it there.
func (t *tx) Once(ctx context.Context, job, slot string, at time.Time) (bool, error) {
	tag, err := t.q.Exec(ctx, `insert into slot_done (site, job, slot, done_at) values ($1, $2, $3, $4) on conflict do nothing`,
		t.id, job, slot, at)
	if err != nil {
		return false, fmt.Errorf("mark %s %s done: %w", job, slot, err)
	}
	return tag.RowsAffected() == 1, nil
}

// Done looks for a slot that Once marked.
func (t *tx) Done(ctx context.Context, job, slot string) (bool, error) {
	var done bool
	err := t.q.QueryRow(ctx, `select exists (select from slot_done where site = $1 and job = $2 and slot = $3)`, t.id, job, slot).Scan(&done)
	if err != nil {
		return false, fmt.Errorf("look whether %s %s is done: %w", job, slot, err)
	}
	return done, nil
}
