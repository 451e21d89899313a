package sweep

import (
	"cmp"
	"maps"
	"slices"
	"time"

	"vialward/tracker/stock"
)

// Input is what a list is made from.
type Input struct {
	Site   *stock.Site
	Slot   string // key of the slot
	Number int
	Now    time.Time // when the data was read
	Due    time.Time
	Until  time.Time // next staffed sweep; where it is not ahead of Now and Due, NextStaffed is asked

	// Vials in stock: prepared or available, with touches filled in. Each stands in exactly one line, wherever the
	// record says it is.
	Vials   []stock.Vial
	Product func(code string, version int) stock.Product // zero where unknown
	Heads   map[string]Head                              // by unit

	RecordHead string // newest place in the record's chain
}

const (
	blankLines = 4              // a page
	firstFor   = 24 * time.Hour // how long after the next staffed sweep a BUD still means USE FIRST
	noSweep    = 24 * time.Hour // how far a list looks where no staffed sweep follows
)

// Make sorts vials into lines. What counts as now is the later of Due and Now: a list read a little early is worked at
// its time, one made late when it is made.
//
// A vial is PULL NOW when its BUD is at or before that instant, or when it comes at or before Until and the site is
// not staffed at any instant in between. The holds that stand over a vial outrank its BUD: nobody discards it before
// somebody has decided. One that nobody has verified is past saving once it must be pulled, and is pulled.
func Make(in Input) List {
	m := maker{
		Input: in, zone: in.Site.Location(), work: latest(in.Due, in.Now),
		products: map[productKey]stock.Product{}, pullBy: map[time.Time]time.Time{},
	}
	l := List{
		Site: in.Site.Code, SiteName: in.Site.Name, Zone: in.Site.Zone, Fahrenheit: in.Site.Unit == "[degF]",
		Slot: in.Slot, Number: in.Number, DueAt: in.Due.In(m.zone), DataReadAt: in.Now.In(m.zone), BlankLines: blankLines,
		Expected: len(in.Vials), RecordHead: in.RecordHead,
	}
	m.until = in.Until
	if !m.until.After(m.work) {
		m.until = nextStaffed(in.Site, m.zone, m.work).At
	}
	if m.until.IsZero() {
		m.until = m.work.Add(noSweep)
	} else {
		l.NextStaffed = m.until.In(m.zone)
	}
	l.LooksUntil = m.until.In(m.zone)
	l.StaleAfter = m.staleAfter().In(m.zone)
	l.Units = m.units()
	return l
}

type productKey struct {
	code    string
	version int
}

type maker struct {
	Input
	zone        *time.Location
	work, until time.Time
	products    map[productKey]stock.Product
	pullBy      map[time.Time]time.Time // BUD -> last staffed instant before it, zero = none
}

// staleAfter is when the list should have been confirmed: stock moves, and a page still unworked by then is old.
func (m *maker) staleAfter() time.Time {
	if m.Site.ConfirmMinutes <= 0 {
		return m.until
	}
	return earliest(m.until, m.work.Add(time.Duration(m.Site.ConfirmMinutes)*time.Minute))
}

// units are those of the site in walking order, then those only the record knows.
func (m *maker) units() []Unit {
	byUnit := map[string][]*stock.Vial{} // not copied: a vial is large, and there are thousands
	for i := range m.Vials {
		v := &m.Vials[i]
		byUnit[v.Unit] = append(byUnit[v.Unit], v)
	}
	units := []Unit{}
	for _, r := range m.Site.Rooms {
		for _, u := range r.Units {
			units = append(units, m.unit(Unit{
				Code: u.Code, Name: u.Name, Room: r.Code, RoomName: r.Name, HazardousOnly: u.HazardousOnly, Capacity: u.Capacity,
			}, u.Shelves, byUnit[u.Code]))
			delete(byUnit, u.Code)
		}
	}
	for _, code := range slices.Sorted(maps.Keys(byUnit)) {
		units = append(units, m.unit(Unit{Code: code, Unknown: true}, nil, byUnit[code]))
	}
	return units
}

// lineKey is what vials of one line have in common.
type lineKey struct {
	action     Action
	batch      string
	product    productKey
	bud        time.Time
	held       string
	unverified bool
}

func (m *maker) unit(u Unit, shelves []stock.Shelf, vials []*stock.Vial) Unit {
	u.Expected, u.Head = len(vials), m.head(u.Code)
	u.Shelves = countShelves(shelves, vials)
	walk := map[string]int{}
	for i, s := range u.Shelves {
		walk[s.Shelf] = i
	}
	groups, linesOf := map[lineKey][]*stock.Vial{}, map[string]int{}
	for _, v := range vials {
		k := m.key(v)
		if groups[k] == nil {
			linesOf[v.Batch]++
		}
		groups[k] = append(groups[k], v)
	}
	u.Lines = make([]Line, 0, len(groups))
	for k, vs := range groups {
		l := m.line(k)
		l.Count, l.Shelves = len(vs), shelfCounts(vs, walk, linesOf[k.batch] > 1)
		u.Lines = append(u.Lines, l)
	}
	slices.SortFunc(u.Lines, inOrder)
	return u
}

// key decides what is to be done with a vial.
func (m *maker) key(v *stock.Vial) lineKey {
	k := lineKey{
		batch: v.Batch, product: productKey{v.Product, v.Version}, bud: v.BUD.UTC(),
		held: v.HoldsInWords(), unverified: !v.Verified || v.State == stock.InPreparation,
	}
	switch {
	case k.held != "":
		k.action = OnHold
	case !k.bud.After(m.work), !k.bud.After(m.until) && m.lastChance(k.bud).IsZero():
		k.action = PullNow
	case k.unverified:
		k.action = NotChecked
	case !k.bud.After(m.until):
		k.action = PullBefore
	case !k.bud.After(m.until.Add(firstFor)):
		k.action = UseFirst
	default:
		k.action = Stay
	}
	return k
}

// lastChance is when somebody is last there before a BUD: the BUD itself, or when people leave before it. Zero: nobody
// is there from now until then.
func (m *maker) lastChance(bud time.Time) time.Time {
	t, known := m.pullBy[bud]
	if !known {
		t, _ = lastStaffed(m.Site, m.zone, m.work, bud)
		m.pullBy[bud] = t
	}
	return t
}

func (m *maker) line(k lineKey) Line {
	p, known := m.products[k.product]
	if !known {
		p = m.Product(k.product.code, k.product.version)
		m.products[k.product] = p
	}
	l := Line{
		Action: k.action, Batch: k.batch, Product: k.product.code, Version: k.product.version, Name: p.FullName(),
		BeyondUse: k.bud.In(m.zone), Past: !k.bud.After(m.work), Held: k.held, Unverified: k.unverified,
		TwoPersons: p.TwoPersons, Hazardous: p.Hazardous, HighAlert: p.HighAlert, Warning: p.Warning,
	}
	if p.Name == "" {
		l.Name = k.product.code + " (no such product on record)"
	}
	if l.Action == PullNow || l.Action == PullBefore {
		l.Into = p.Disposal
	}
	if (l.Action == PullBefore || l.Action == NotChecked) && !k.bud.After(m.until) {
		l.PullBy = m.lastChance(k.bud).In(m.zone)
	}
	return l
}

func inOrder(a, b Line) int {
	return cmp.Or(
		cmp.Compare(slices.Index(Actions(), a.Action), slices.Index(Actions(), b.Action)),
		a.PullBy.Compare(b.PullBy), a.BeyondUse.Compare(b.BeyondUse), cmp.Compare(a.Name, b.Name), cmp.Compare(a.Batch, b.Batch),
		cmp.Compare(a.Product, b.Product), cmp.Compare(a.Version, b.Version), cmp.Compare(a.Held, b.Held), cmp.Compare(a.checked(), b.checked()))
}

func (l Line) checked() int {
	if l.Unverified {
		return 0
	}
	return 1
}
