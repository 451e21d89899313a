package web

import (
	"context"
	"slices"
	"strings"
	"time"

	"vialward/tracker/access"
	"vialward/tracker/stock"
)

// staffPage is the people of the site, what they were assessed in, and who may do what: for the inspector who asks, and for
// whoever sees that a competency is about to lapse.
type staffPage struct {
	People   []staffLine
	Enforced bool
	Rights   []right
}

func (staffPage) Title() string { return "People" }

type staffLine struct {
	Name, Code, Roles string
	Left              moment
	Competencies      []competencyLine
}

// competencyLine is the last assessment of its kind: an older one is history.
type competencyLine struct {
	What, By, Note string
	Until          moment
	Lapsed, Soon   bool
}

// right is one line of the table of who may do what.
type right struct{ What, Who, Needs, Beside, Signed string }

// lapsesSoon is how long before its end a competency stands out.
const lapsesSoon = 30 * 24 * time.Hour

func staffPageOf(_ context.Context, v *visit) (content, error) {
	p := staffPage{Enforced: v.site.Competencies != stock.Shown, Rights: rights()}
	for _, x := range v.site.People {
		l := staffLine{Name: nameOf(x), Code: x.Code, Roles: strings.Join(x.Roles, ", "), Left: v.at(x.Left)}
		for _, what := range stock.CompetencyKinds() {
			if c, ok := v.competency(x, what); ok {
				l.Competencies = append(l.Competencies, c)
			}
		}
		p.People = append(p.People, l)
	}
	return p, nil
}

func (v *visit) competency(p stock.Person, what string) (competencyLine, bool) {
	var last stock.Competency
	for _, c := range p.Competencies {
		if c.What == what && !v.now.Before(c.From) && c.Until.After(last.Until) {
			last = c
		}
	}
	l := competencyLine{What: what, By: last.AssessedBy, Note: last.Note, Until: v.at(last.Until), Lapsed: !v.now.Before(last.Until)}
	if by, ok := v.site.Person(last.AssessedBy); ok {
		l.By = nameOf(by)
	}
	l.Soon = !l.Lapsed && last.Until.Sub(v.now) <= lapsesSoon
	return l, last.What != ""
}

// rights is the table of operations as people read it, in alphabetical order.
func rights() []right {
	var all []right
	for _, op := range access.Operations() {
		r, _ := access.Of(op)
		if r.Anyone {
			continue
		}
		x := right{What: r.Do, Who: r.Whose(), Needs: r.Needs, Signed: r.Signed}
		if x.Who == "" {
			x.Who = "whoever runs it on the machine"
		}
		if r.Hazardous != "" {
			x.Needs += "; where the product is hazardous also " + r.Hazardous
		}
		switch r.Second {
		case access.Witness:
			x.Beside = "a second person"
		case access.OtherPharmacist:
			x.Beside = "another pharmacist"
		case access.AsProductAsks:
			x.Beside = "a second person where the product is for two"
		case access.Alone:
		}
		all = append(all, x)
	}
	slices.SortFunc(all, func(a, b right) int { return strings.Compare(a.What, b.What) })
	return all
}
