package tracker

import (
	"context"
	"slices"
	"strings"
	"time"

	"vialward/tracker/access"
	"vialward/tracker/stock"
	"vialward/tracker/walltime"
)

// PersonChange is what changes about a person; what is left out stays.
type PersonChange struct {
	Name  *string    `json:"name,omitempty"`
	Mail  *string    `json:"mail,omitempty"`
	Roles []string   `json:"roles,omitempty"`
	Left  *time.Time `json:"left,omitempty"` // from then on they may do nothing
}

// Assessment is what was found of a person's competency. Passed, it counts from From until Until; failed, every one of
// its kind ends at From.
type Assessment struct {
	What       string    `json:"what"`
	AssessedBy string    `json:"assessed_by,omitempty"` // a person's code, or who it was in words; left out: whoever records it
	From       time.Time `json:"from,omitzero"`         // left out: now
	Until      time.Time `json:"until,omitzero"`
	Failed     bool      `json:"failed,omitempty"`
	Note       string    `json:"note,omitempty"`
}

// AddPerson adds somebody to the site's document.
func (t *Tracker) AddPerson(ctx context.Context, site string, a Actor, p stock.Person) (stock.Person, error) {
	p = stock.Person{Code: p.Code, Name: p.Name, Mail: p.Mail, Roles: p.Roles} // competencies are assessed, by themselves
	return t.changePeople(ctx, site, a, access.AddPerson, stock.PersonAdded, p.Code, func(s *stock.Site, _ time.Time, b *stock.Body) error {
		if _, there := s.Person(p.Code); there {
			return stock.Refuse("person", "", "%s is somebody of site %s already; take another code", p.Code, s.Code)
		}
		s.People = append(s.People, p)
		b.Note = strings.Join(p.Roles, ", ")
		return nil
	})
}

// ChangePerson changes what the site's document says of somebody, but for their competencies. Nobody changes their own
// roles: what somebody may do is for another to say.
func (t *Tracker) ChangePerson(ctx context.Context, site string, a Actor, code string, c PersonChange) (stock.Person, error) {
	return t.changePeople(ctx, site, a, access.ChangePerson, stock.PersonChanged, code, func(s *stock.Site, _ time.Time, _ *stock.Body) error {
		p, err := personIn(s, code)
		if err != nil {
			return err
		}
		if c.Name != nil {
			p.Name = *c.Name
		}
		if c.Mail != nil {
			p.Mail = *c.Mail
		}
		if c.Roles != nil {
			p.Roles = c.Roles
		}
		if c.Left != nil {
			p.Left = walltime.Cut(*c.Left)
		}
		return nil
	})
}

// Assess records that a person was found competent, or no more. Nobody assesses themself.
func (t *Tracker) Assess(ctx context.Context, site string, a Actor, code string, x Assessment) (stock.Person, error) {
	if x.AssessedBy == "" {
		x.AssessedBy = a.Person.Code
	}
	switch {
	case code == a.Person.Code || code == x.AssessedBy:
		return stock.Person{}, stock.Refuse("own_rights", "", "nobody assesses themself; somebody else records what was found of %s", code)
	case x.Failed == !x.Until.IsZero():
		return stock.Person{}, stock.Refuse("until", "", "say until when it counts, or that it was failed; one of the two")
	}
	return t.changePeople(ctx, site, a, access.Assess, stock.PersonAssessed, code, func(s *stock.Site, now time.Time, b *stock.Body) error {
		p, err := personIn(s, code)
		if err != nil {
			return err
		}
		if x.From, err = when(x.From, now); err != nil {
			return err
		}
		b.Note, b.Reason, b.Since = x.What, x.Note, &x.From
		if x.Failed {
			return fail(p, x)
		}
		x.Until = walltime.Cut(x.Until)
		b.Until = &x.Until
		p.Competencies = append(slices.Clone(p.Competencies), stock.Competency{
			What: x.What, AssessedBy: x.AssessedBy, From: x.From, Until: x.Until, Note: x.Note,
		})
		return nil
	})
}

// fail ends what stands of a competency, or would come to stand. One that had not begun is taken out.
func fail(p *stock.Person, x Assessment) error {
	ended := 0
	var kept []stock.Competency
	for _, c := range p.Competencies {
		if c.What == x.What && x.From.Before(c.Until) {
			ended++
			if !c.From.Before(x.From) {
				continue
			}
			c.Until = x.From
		}
		kept = append(kept, c)
	}
	if ended == 0 {
		return stock.Refuse("competency", "", "%s has no competency %q that stands then or later", p.Code, x.What)
	}
	p.Competencies = kept
	return nil
}

func personIn(s *stock.Site, code string) (*stock.Person, error) {
	i := slices.IndexFunc(s.People, func(p stock.Person) bool { return p.Code == code })
	if i < 0 {
		return nil, NotFound("person", code)
	}
	return &s.People[i], nil
}

// changePeople makes a new version of the site's document with one person in it changed, and the event that says so. The
// site file and these operations write the same document: there is one truth about who may do what.
func (t *Tracker) changePeople(ctx context.Context, site string, a Actor, op access.Operation, kind stock.Kind, code string,
	change func(s *stock.Site, now time.Time, b *stock.Body) error,
) (stock.Person, error) {
	var after stock.Person
	now := walltime.Cut(t.Now())
	err := t.in(ctx, site, a, op, now, func(tx Tx) error {
		old, next := *tx.Site(), *tx.Site()
		next.People = slices.Clone(old.People)
		b := stock.Body{To: code}
		if err := change(&next, now, &b); err != nil {
			return err
		}
		before := mistakes(CheckSite(&old))
		for _, m := range mistakes(CheckSite(&next)) {
			if !slices.Contains(before, m) { // it comes of this change
				return stock.Refuse("person", "", "%s", m.Say)
			}
		}
		if err := noOwnRights(a, &old, &next); err != nil {
			return err
		}
		changes, err := differences(&old, &next)
		if err != nil {
			return err
		}
		if len(changes) == 0 {
			return stock.Refuse("unchanged", "", "that is how it is already; nothing was changed")
		}
		next.Version++
		if err := tx.SaveSite(ctx, next, nil, now); err != nil {
			return err
		}
		b.Version, b.Details = next.Version, written(changes)
		e := event(tx, kind, a, now, now, b)
		if err := tx.Append(ctx, &e); err != nil {
			return err
		}
		after, _ = next.Person(code)
		return nil
	})
	return after, err
}

// noOwnRights refuses a change by which somebody gives themself, or takes, roles or competencies.
func noOwnRights(a Actor, old, next *stock.Site) error {
	was, ok := old.Person(a.Person.Code)
	if !ok || a.Via == ViaAccount || a.Via == ViaDaemon {
		return nil
	}
	is, _ := next.Person(a.Person.Code)
	same, err := sameJSON(rights(was), rights(is))
	if err == nil && !same {
		return stock.Refuse("own_rights", "", "nobody changes their own roles or competencies; somebody else does it for %s", a.Person.Code)
	}
	return err
}

// peopleStay: a file takes nobody out, for their name stands in the record, and no competency that was recorded: an old
// copy of the file would silently undo what was assessed since it was written.
func peopleStay(old, next *stock.Site, say func(key, format string, args ...any)) {
	for _, was := range old.People {
		is, there := next.Person(was.Code)
		if !there {
			say("people", "%s is gone from the file, but their name stands in the record; keep them, with left = the day they went", was.Code)
			continue
		}
		for _, c := range was.Competencies {
			kept := slices.ContainsFunc(is.Competencies, func(o stock.Competency) bool {
				return o.What == c.What && o.AssessedBy == c.AssessedBy && o.From.Equal(c.From) && !o.Until.After(c.Until)
			})
			if !kept {
				say("people", "%s's competency %q from %s, assessed by %s, is gone from the file or reaches further; vialward site show prints it as it was recorded",
					was.Code, c.What, walltime.Say(c.From, old.Location()), c.AssessedBy)
			}
		}
	}
}

// rights is what of a person says what they may do.
func rights(p stock.Person) stock.Person {
	return stock.Person{Roles: p.Roles, Left: p.Left, Competencies: p.Competencies}
}
