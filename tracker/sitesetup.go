package tracker

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"vialward/tracker/access"
	"vialward/tracker/stock"
	"vialward/tracker/walltime"
)

// SiteMistakes is the error of a site that was not loaded: everything that is wrong with it, nothing of it done.
type SiteMistakes struct {
	Site string
	List []stock.Mistake
}

func (m *SiteMistakes) Error() string {
	lines := make([]string, len(m.List))
	for i, x := range m.List {
		lines[i] = x.Key + ": " + x.Say
	}
	return fmt.Sprintf("site %s was not loaded: %s", m.Site, strings.Join(lines, "; "))
}

// LoadSite makes the record's site what the given one says, and answers in words what changed. The same site again
// changes nothing and records nothing. A changed product becomes a new version, a draft until
// nothing of it lacks a pharmacist's word; batches stay with the version they were made from. A site with a mistake, or one that takes a place or product
// away from stock, is refused whole with *SiteMistakes.
//
// Nobody is known before the first load, so anyone on the machine itself may do that one; later ones take an
// administrator or pharmacist of the site as it stands.
func (t *Tracker) LoadSite(ctx context.Context, a Actor, site stock.Site) ([]string, error) {
	if wrong := mistakes(CheckSite(&site)); len(wrong) > 0 {
		return nil, &SiteMistakes{site.Code, wrong}
	}
	if err := a.may(&stock.Site{Code: site.Code}, access.SetUp, t.Now()); err != nil {
		sites, err := t.Store.Sites(ctx)
		if err != nil {
			return nil, err
		}
		if !slices.Contains(sites, site.Code) {
			return nil, stock.Refuse("role", "", "site %s is new; the first load is done on the machine itself", site.Code)
		}
	}
	if _, err := t.Store.NewSite(ctx, site.Code, site.Zone); err != nil {
		return nil, err
	}
	var changes []string
	now := walltime.Cut(t.Now())
	err := t.Store.In(ctx, site.Code, func(tx Tx) error {
		changes = nil
		old := *tx.Site()
		if old.Version == 0 && a.may(&old, access.SetUp, now) != nil {
			return stock.Refuse("role", "", "site %s has not been set up; the first load is done on the machine itself", site.Code)
		}
		next := site // f may run again: what it was given stays as it is
		next.ID, next.Version = old.ID, old.Version
		next.Products = slices.Clone(site.Products)
		changed, err := versions(ctx, tx, &old, &next)
		if err != nil {
			return err
		}
		if changes, err = differences(&old, &next); err != nil || len(changes) == 0 {
			return err // nothing changes, so it does not matter who asked
		}
		if old.Version > 0 {
			if err := a.may(&old, access.LoadSite, now); err != nil {
				return err
			}
			if err := noOwnRights(a, &old, &next); err != nil {
				return err
			}
		}
		next.Version++
		again, err := changedSensors(ctx, tx, &old, &next)
		if err != nil {
			return err
		}
		if err := tx.Order(ctx); err != nil { // so that no vial moves while we look where they are
			return err
		}
		wrong, err := inUse(ctx, tx, &old, &next)
		if err != nil {
			return err
		}
		if len(wrong) > 0 {
			return &SiteMistakes{site.Code, wrong}
		}
		if err := tx.SaveSite(ctx, next, changed, now); err != nil {
			return err
		}
		e := event(tx, stock.SiteLoaded, a, now, now, stock.Body{Version: next.Version, Details: written(changes)})
		if err := a.sign(&old, access.LoadSite, &e); err != nil {
			return err
		}
		if err := tx.Append(ctx, &e); err != nil {
			return err
		}
		return t.judgeAgain(ctx, tx, again, next.Version, now)
	})
	if err != nil {
		return nil, err
	}
	return changes, nil
}

// ShowSite answers the site as it is in the record, versions and reasons of drafts included.
func (t *Tracker) ShowSite(ctx context.Context, code string) (stock.Site, error) {
	var s stock.Site
	err := t.Store.Read(ctx, code, func(v View) error {
		s = *v.Site()
		if s.Version == 0 {
			return NotFound("setup of site", code)
		}
		return nil
	})
	return s, err
}

// versions numbers the products of next and answers those that differ from what the record has: an unchanged one keeps
// its version, a changed or new one gets the number after the newest the record ever had of its code.
func versions(ctx context.Context, tx Tx, old, next *stock.Site) ([]stock.Product, error) {
	var changed []stock.Product
	for i := range next.Products {
		p := &next.Products[i]
		because, err := draft(next, *p)
		if err != nil {
			return nil, err
		}
		p.DraftBecause = because
		was, err := newest(ctx, tx, old, p.Code)
		if err != nil {
			return nil, err
		}
		p.Version = was.Version
		same, err := sameJSON(was, *p)
		if err != nil {
			return nil, err
		}
		if !same {
			p.Version++
			changed = append(changed, *p)
		}
	}
	return changed, nil
}

// newest version of a product: of the site's document, or of one that was taken out earlier. Version 0 = never there.
func newest(ctx context.Context, tx Tx, old *stock.Site, code string) (stock.Product, error) {
	for _, p := range old.Products {
		if p.Code == code {
			return p, nil
		}
	}
	p, err := tx.Product(ctx, code, 0)
	if isNotFound(err) {
		return stock.Product{}, nil
	}
	return p, err
}
