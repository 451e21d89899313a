package stock

import (
	"slices"
	"strings"
)

func (c *checker) limits() {
	for i, l := range c.site.Limits {
		at := nth("limits", i)
		c.sterility(at, l.Category, l.Method, l.Storage)
		c.when((l.Category == "1" || l.Category == "immediate") && (l.Method != "" || l.Tested || l.Nonsterile), at+".method",
			"category %s depends on no method, test or component; take them out", l.Category)
		c.when((l.Hours > 0) == (l.Days > 0), at, "give exactly one of hours and days, above 0")
		c.figure(at, l.Source, l.Tag, l.ConfirmedBy)
		c.when(!Unsure(l.Tag) && l.ConfirmedBy == "", at+".confirmed_by", "name the pharmacist of this site who signed this limit off; until then, tag it \"confirm\"")
		twice := slices.ContainsFunc(c.site.Limits[:i], func(o LimitCell) bool { return o.cell() == l.cell() })
		c.when(twice, at, "this cell of the chapter's table is there already; keep one of them")
	}
}

// cell is what of a limit says where in the table it stands.
func (l LimitCell) cell() LimitCell {
	return LimitCell{Category: l.Category, Method: l.Method, Tested: l.Tested, Nonsterile: l.Nonsterile, Storage: l.Storage}
}

func (c *checker) sterility(at, category, method string, class Storage) {
	c.oneOf(at+".category", category, "immediate", "1", "2", "3")
	if category == "2" || category == "3" {
		c.oneOf(at+".method", method, "aseptic", "terminal")
	}
	c.when(!class.Known(), at+".storage", "%q is not a storage class; write refrigerator, freezer or room", class)
}

func (c *checker) products() {
	hazardousPlace := slices.ContainsFunc(c.site.Rooms, func(r RoomPlace) bool {
		return slices.ContainsFunc(r.Units, func(u Unit) bool { return u.HazardousOnly })
	})
	for i, p := range c.site.Products {
		at := c.code("products", i, p.Code, "product")
		c.when(p.Name == "", at+".name", "give the generic name as labels and lists should print it")
		for _, form := range c.site.TallMan {
			other := strings.Contains(strings.ToLower(p.Name), strings.ToLower(form)) && !strings.Contains(p.Name, form)
			c.when(other, at+".name", "this site writes %s, so that it is not read as another name; write it the same way here", form)
		}
		c.when(p.Amount <= 0, at+".amount", "the amount in one vial is above 0")
		c.when(p.Volume <= 0, at+".volume", "the volume in one vial is above 0")
		c.when(p.ContainerL < p.Volume, at+".container_volume", "a container of %s mL does not hold %s mL", SayMilli(int64(p.ContainerL)), SayMilli(int64(p.Volume)))
		c.when(p.GTIN != "" && !validGTIN(p.GTIN), at+".gtin", "%q is not a GTIN of 14 digits with the right check digit", p.GTIN)
		c.sterility(at, p.Category, p.Method, p.Storage)
		c.when((p.AllowedOutMinutes != nil) != (p.AllowedOutSource != ""), at+".allowed_out", "an allowed time out of the refrigerator stands with its source, or neither does: there is no default")
		c.when(p.BenchMinutes < 0 || p.CapHours < 0, at+".bench", "times are 0 or more")
		c.when(p.Disposal == "", at+".disposal", "name the container this is discarded into, in the site's own words")
		c.warn(p.Hazardous && !hazardousPlace, at+".hazardous", "no storage unit is for hazardous products only")
		c.when(p.Tolerance < 0 || p.Tolerance > 100_000, at+".tolerance_percent", "a tolerance lies from 0 to 100 %%")
		c.warn(p.Hazardous && p.Sharps == "", at+".sharps", "%s is hazardous, and no container is named for its needles and syringes", p.Code)
		c.pharmacist(at+".approved_by", p.ApprovedBy)
		c.stability(at, p)
		c.components(at, p)
		for k, cost := range p.Costs {
			key := nth(at+".costs", k)
			c.when(k > 0 && !p.Costs[k-1].From.Before(cost.From), key+".from", "costs are in order of time; this one is not after the one before")
		}
		c.warn(len(p.Costs) == 0, at, "%s has no cost; waste of it cannot be priced", p.Code)
	}
}

func (c *checker) stability(at string, p Product) {
	covered := false
	for k, r := range p.Stability {
		key := nth(at+".stability", k)
		c.when(!r.Storage.Known(), key+".storage", "%q is not a storage class; write refrigerator, freezer or room", r.Storage)
		c.when(r.Minutes <= 0, key+".stable_for", "a stability is above 0")
		c.figure(key, r.Source, r.Tag, r.ConfirmedBy)
		from, to := r.concentrations()
		c.when(from > to, key+".to_mg_per_ml", "the range ends at %s mg/mL, below its start", r.ToMgPerML)
		for _, o := range p.Stability[:k] {
			if !r.overlaps(o) {
				continue
			}
			c.when(o.Storage == r.Storage, key, "there is a row for %s in %s of this concentration already; keep one of them", r.Storage, r.Diluent)
			warmer, colder := r, o
			if o.Storage.Warmth() > r.Storage.Warmth() {
				warmer, colder = o, r
			}
			c.when(warmer.Storage != colder.Storage && warmer.Minutes > colder.Minutes, key+".stable_for",
				"it would keep longer in %s (%d min) than in the colder %s (%d min); one of the figures is wrong", warmer.Storage, warmer.Minutes, colder.Storage, colder.Minutes)
		}
		covered = covered || r.Storage == p.Storage && r.Covers(p.Concentration())
	}
	c.when(!covered, at+".stability", "no row says how long %s at its concentration keeps in %s storage; without one it gets no beyond-use date", p.Code, p.Storage)
}

// concentrations is the range concentrations in thousandths of mg/mL, both ends in it; open ends are the widest.
func (r StabilityRow) concentrations() (from, to int64) {
	from, to = 0, 1<<62
	if n, err := ParseMilli(r.FromMgPerML); err == nil {
		from = n
	}
	if n, err := ParseMilli(r.ToMgPerML); err == nil {
		to = n
	}
	return from, to
}

func (r StabilityRow) overlaps(o StabilityRow) bool {
	from, to := r.concentrations()
	otherFrom, otherTo := o.concentrations()
	return NameKey(r.Diluent) == NameKey(o.Diluent) && from <= otherTo && otherFrom <= to
}

// Covers says whether a concentration lies in the row's range; compared by cross-multiplying, exactly.
func (r StabilityRow) Covers(c Concentration) bool {
	from, to := r.concentrations()
	if r.FromMgPerML == "" && r.ToMgPerML == "" {
		return true
	}
	// micrograms per microlitre x 1000 = thousandths of mg/mL
	amount, volume := int64(c.Amount), int64(c.Volume)
	if amount <= 0 || volume <= 0 || amount > 1e12 || volume > 1e9 {
		return false
	}
	atLeast := from <= amount*1000/volume
	atMost := to >= (amount*1000+volume-1)/volume
	return atLeast && atMost
}

func (c *checker) components(at string, p Product) {
	c.when(len(p.Components) == 0, at+".components", "name what %s is made of: source drug, diluent, container; lots are given under these names", p.Code)
	powder, diluent := false, false
	for k, u := range p.Components {
		key := nth(at+".components", k)
		powder, diluent = powder || u.Powder, diluent || u.Diluent
		c.component(key, u)
		twice := slices.ContainsFunc(p.Components[:k], func(o ComponentUse) bool { return NameKey(o.Name) == NameKey(u.Name) })
		c.when(twice, key+".name", "%s is there already; names differ in more than capitals and spaces", u.Name)
	}
	c.when(powder && !diluent, at+".components", "a powder is dissolved in something: add that as a component with diluent = true, so that its lots and ends are looked at")
	if !diluent {
		return
	}
	for k, r := range p.Stability {
		_, ok := p.component(r.Diluent, func(u ComponentUse) bool { return u.Diluent })
		c.when(!ok, nth(at+".stability", k)+".diluent", "%q is none of the components with diluent = true; write it as there: %s", r.Diluent,
			strings.Join(p.names(func(u ComponentUse) bool { return u.Diluent }), "; "))
	}
}

func (c *checker) component(key string, u ComponentUse) {
	c.when(u.Name == "", key+".name", "name the component")
	kinds := 0
	for _, is := range []bool{u.Powder, u.Diluent, u.Container} {
		if is {
			kinds++
		}
	}
	c.when(kinds > 1, key, "%s is a powder, a diluent or a container, one of them", u.Name)
	c.when(u.Powder && u.PerVial <= 0, key+".per_source_vial", "say how much of %s one source vial holds, as \"100 mg\"", u.Name)
	c.when(u.Powder && u.Optional, key+".optional", "%s is the drug itself; it cannot be left out", u.Name)
	c.when(u.Dissolve != 0 && !u.Powder, key+".dissolve_in", "only a powder is dissolved; take it out, or write powder = true")
	c.when(u.Dissolve != 0 && u.LabelLine != nil && u.Dissolve != u.LabelLine.Diluent, key+".dissolve_in", "the label line has a volume of its own, %s mL; take one of the two out", SayMilli(int64(u.DissolveIn())))
	if u.Opened != "" {
		c.oneOf(key+".opened", u.Opened, "single dose", "multi dose", "bulk", "ampoule")
	}
	if l := u.LabelLine; l != nil {
		c.when(!u.Powder, key+".label_line", "only a powder is dissolved by a label line; take it out, or write powder = true")
		c.when(l.Source == "", key+".label_line.source", "say whose label this line is from")
		c.when(l.Diluent <= 0 || l.UgPerML <= 0 || l.VolumeUL <= 0, key+".label_line", "every figure of a label line is above 0")
	}
}

// validGTIN checks the GS1 check digit: weights 3 and 1 in turn from the right, the sum a multiple of ten (GS1 General
// Specifications).
func validGTIN(g string) bool {
	if len(g) != 14 || strings.Trim(g, "0123456789") != "" {
		return false
	}
	sum := 0
	for i := range g {
		d := int(g[i] - '0')
		if i%2 == 0 {
			d *= 3
		}
		sum += d
	}
	return sum%10 == 0
}

// Unconfirmed lists what a product's record still lacks before batches may be made from it.
func (p Product) Unconfirmed() []string {
	var missing []string
	if p.ApprovedBy == "" {
		missing = append(missing, "a pharmacist's approval (approved_by)")
	}
	for _, r := range p.Stability {
		if Unsure(r.Tag) && r.ConfirmedBy == "" {
			missing = append(missing, "a pharmacist's confirmation of the stability in "+string(r.Storage)+" storage, "+r.Diluent+", which is tagged "+r.Tag)
		}
	}
	return missing
}
