package web

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"vialward/tracker"
	"vialward/tracker/label"
	"vialward/tracker/stock"
)

// typedBatch is what stands in the form as the operation's arguments; faults are left in the form. view is for the product.
func typedBatch(ctx context.Context, v tracker.View, f *form) (tracker.Prepare, stock.Product, error) {
	p := tracker.Prepare{Product: f.Get("product"), Area: f.Get("area"), Order: strings.TrimSpace(f.Get("order"))}
	if p.Product == "" {
		f.fault("product", "Choose what is prepared.")
		return p, stock.Product{}, nil
	}
	product, err := v.Product(ctx, p.Product, 0)
	if err != nil {
		return p, product, err
	}
	p.Count = f.number("count", 1, 999, "Say how many vials are finished.")
	if p.Area == "" {
		f.fault("area", "Choose the preparation area.")
	}
	p.StartedAt, p.CompletedAt = f.moment("started"), f.moment("completed")
	for i, u := range product.Components {
		for _, row := range []string{"", "2"} {
			if c, ok := typedComponent(f, i, row, u); ok {
				p.Components = append(p.Components, c)
			}
		}
	}
	for i, name := range tracker.Steps() {
		at := f.moment(fmt.Sprintf("step-%d", i))
		if at.IsZero() {
			continue
		}
		if len(p.Steps) != i {
			f.fault(fmt.Sprintf("step-%d", i), "The step before it has no time yet: steps are signed in order.")
		}
		p.Steps = append(p.Steps, tracker.StepDone{Name: name, By: f.Get(fmt.Sprintf("by-%d", i)), At: at})
	}
	if strings.TrimSpace(f.Get("sources")) != "" {
		p.Mix = &tracker.Mix{SourceVials: f.number("sources", 1, 999, ""), DiluentEach: f.volume("each"), BringTo: f.maybeVolume("bring"), Withdrawn: f.maybeVolume("drawn")}
	}
	return p, product, nil
}

// typedComponent is one lot. What a scanner read off its pack, lot and end, is taken apart where it stands.
func typedComponent(f *form, i int, row string, u stock.ComponentUse) (stock.Component, bool) {
	at := func(what string) string { return fmt.Sprintf("c%d-%s%s", i, what, row) }
	if e, err := label.Parse(f.Get(at("lot")), f.now.In(f.zone).Year()); err == nil && e.Lot != "" {
		f.values.Set(at("lot"), e.Lot)
		if e.Expires != (label.Date{}) {
			f.values.Set(at("ends"), fmt.Sprintf("%04d-%02d-%02d", e.Expires.Year, int(e.Expires.Month), e.Expires.Day))
		}
	}
	c := stock.Component{Name: u.Name, Lot: strings.TrimSpace(f.Get(at("lot"))), Maker: strings.TrimSpace(f.Get(fmt.Sprintf("c%d-maker", i)))}
	ends := strings.TrimSpace(f.Get(at("ends")))
	if c.Lot == "" && ends == "" {
		return c, false
	}
	if c.Expires = ends; f.Has(fmt.Sprintf("c%d-compounded", i), "yes") {
		c.Expires, c.BeyondUse = "", ends
	}
	if row == "" {
		c.OpenedAt = f.moment(fmt.Sprintf("c%d-opened", i))
		c.InISO5 = f.Has(fmt.Sprintf("c%d-iso5", i), "yes")
	}
	return c, true
}

func (f *form) volume(name string) stock.Microlitres {
	v := f.maybeVolume(name)
	if v == nil {
		return 0
	}
	return *v
}

// maybeVolume is a number of mL with at most three decimals; nil where nothing was typed.
func (f *form) maybeVolume(name string) *stock.Microlitres {
	s := strings.TrimSpace(f.Get(name))
	if s == "" {
		return nil
	}
	n, err := stock.ParseMilli(s)
	if err != nil || n < 0 {
		f.fault(name, "%q is no volume: write mL with a decimal point, such as 10 or 2.5.", s)
		return nil
	}
	v := stock.Microlitres(n)
	return &v
}

// lookAtBatch keeps what is typed and shows the page with what follows from it. A touch on "now" fills in the minute.
func lookAtBatch(ctx context.Context, a *acting, f *form) (string, error) {
	if name := f.Get("now"); name != "" {
		f.values.Set(name, f.now.In(f.zone).Format(localMoment))
		f.values.Del("now")
	}
	err := a.t.Store.Read(ctx, a.site, func(v tracker.View) error { // packs that were scanned are taken apart
		looked := &form{values: f.values, wrong: map[string]string{}, zone: f.zone, now: f.now}
		_, _, err := typedBatch(ctx, v, looked)
		if isMissing(err) {
			return nil
		}
		return err
	})
	if err != nil {
		return "", err
	}
	return preparePath, a.t.SaveDraft(ctx, a.site, tracker.Draft{Person: a.who.Person.Code, Form: preparePath, Fields: f.kept()})
}

func prepareBatch(ctx context.Context, a *acting, f *form) (string, error) {
	var p tracker.Prepare
	err := a.t.Store.Read(ctx, a.site, func(v tracker.View) (err error) {
		p, _, err = typedBatch(ctx, v, f)
		return err
	})
	if err != nil {
		return "", err
	}
	if p.StartedAt.IsZero() {
		f.fault("started", "Say when preparation began: the beyond-use date counts from there.")
	}
	if !f.ok() {
		return "", nil
	}
	done, err := a.t.Prepare(ctx, a.site, a.who, p)
	if err != nil {
		return "", err
	}
	return "/batches/" + done.Batch.Code + "/work", nil
}

// assumedYear is the end of a component that is not known yet: no limit, so that the others show what they come to.
const assumedYear = 2990

// assumed fills in what is still missing of the components for a look ahead, and names it. It is never recorded.
func assumed(product stock.Product, p *tracker.Prepare) (missing []string) {
	end := fmt.Sprintf("%d-12", assumedYear+9)
	for i := range p.Components {
		c := &p.Components[i]
		if c.Lot == "" {
			missing, c.Lot = append(missing, "lot of "+c.Name), "?"
		}
		if c.Expires == "" && c.BeyondUse == "" {
			missing, c.Expires = append(missing, "end of "+c.Name), end
		}
	}
	diluent := slices.ContainsFunc(p.Components, func(c stock.Component) bool { return slices.Contains(product.EndsIn(), c.Name) })
	for _, u := range product.Components {
		given := slices.ContainsFunc(p.Components, func(c stock.Component) bool { return c.Name == u.Name })
		if given || u.Optional || u.Diluent && diluent {
			continue
		}
		diluent = diluent || u.Diluent
		missing = append(missing, u.Name)
		p.Components = append(p.Components, stock.Component{Name: u.Name, Lot: "?", Expires: end})
	}
	return missing
}

// laterOf leaves "not said" as it is.
func laterOf(completed, started time.Time) time.Time {
	if !completed.IsZero() && completed.Before(started) {
		return time.Time{}
	}
	return completed
}
