package stock

import (
	"fmt"
	"slices"
	"strings"
	"unicode"
)

// NameKey is how names of components are compared: capitals and white space do not count, and nothing else is forgiven.
// "Sodium chloride 0.9%" is "sodium chloride 0.9 %"; "saline" is neither.
func NameKey(name string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsSpace(r) {
			return -1
		}
		return r
	}, strings.ToLower(name))
}

// Match puts the lots given for a batch under the names of the product's components. Refused, with all that is wrong: a
// name the product does not have, a component without a lot, a kind of opened container that is not the product's, a
// component that is missing. Several lots of one component may be given.
func (p Product) Match(given []Component) ([]Component, error) {
	matched := slices.Clone(given)
	var why []string
	unknown := false
	for i, g := range matched {
		u, ok := p.component(g.Name, func(ComponentUse) bool { return true })
		if !ok {
			why, unknown = append(why, fmt.Sprintf("%q is none of its components", g.Name)), true
			continue
		}
		matched[i].Name = u.Name
		if strings.TrimSpace(g.Lot) == "" {
			why = append(why, u.Name+" has no lot: give it as printed")
		}
		if g.Opened == "" && !g.OpenedAt.IsZero() { // opened before: its kind is in the master record
			g.Opened, matched[i].Opened = u.Opened, u.Opened
		}
		switch {
		case g.Opened == "" && !g.OpenedAt.IsZero():
			why = append(why, u.Name+" was opened before: say which kind of container it is")
		case u.Opened != "" && g.Opened != "" && g.Opened != u.Opened:
			why = append(why, fmt.Sprintf("%s is a %s container in the master record, not %s", u.Name, u.Opened, g.Opened))
		}
	}
	missing := p.missing(matched)
	why = append(why, missing...)
	if len(why) == 0 {
		return matched, nil
	}
	say := strings.Join(why, "; ")
	if unknown || len(missing) > 0 {
		say += ". It is made with: " + strings.Join(p.names(func(ComponentUse) bool { return true }), "; ") + ". Name the lot of each, and what its label says of its end"
	}
	return nil, Refuse("component", "", "%s: %s", p.FullName(), say)
}

// missing says which components a batch lacks.
func (p Product) missing(given []Component) (why []string) {
	has := func(name string) bool {
		return slices.ContainsFunc(given, func(g Component) bool { return g.Name == name })
	}
	endsIn := p.names(p.endsIn)
	for _, u := range p.Components {
		if !u.Optional && !has(u.Name) && !p.endsIn(u) {
			why = append(why, u.Name+" is not given")
		}
	}
	if len(endsIn) > 0 && !slices.ContainsFunc(endsIn, has) {
		why = append(why, strings.Join(endsIn, " or ")+" is not given")
	}
	return why
}

// endsIn says whether u is a diluent that a finished vial can hold: one the stability rows know. Other diluents are steps
// on the way.
func (p Product) endsIn(u ComponentUse) bool {
	return u.Diluent && slices.ContainsFunc(p.Stability, func(r StabilityRow) bool { return NameKey(r.Diluent) == NameKey(u.Name) })
}

// EndsIn are the diluents a finished vial may hold, by the names of the components.
func (p Product) EndsIn() []string { return p.names(p.endsIn) }

// DiluentOf is the diluent a batch ended in, by the name of its component: the only one of its components, as Match
// answers them, that has stability rows, or said where there are several. A product without diluents among its components
// takes the one its rows name.
func (p Product) DiluentOf(matched []Component, said string) (string, error) {
	choices := []string{}
	add := func(name string) {
		if !slices.ContainsFunc(choices, func(c string) bool { return NameKey(c) == NameKey(name) }) {
			choices = append(choices, name)
		}
	}
	if slices.ContainsFunc(p.Components, p.endsIn) {
		for _, m := range matched {
			if _, ok := p.component(m.Name, p.endsIn); ok {
				add(m.Name)
			}
		}
	} else {
		for _, r := range p.Stability {
			add(r.Diluent)
		}
	}
	i := slices.IndexFunc(choices, func(c string) bool { return NameKey(c) == NameKey(said) })
	switch {
	case i >= 0:
		return choices[i], nil
	case said != "":
		return "", Refuse("diluent", "", "%q is not what this batch of %s can end in; that is %s", said, p.FullName(), orNothing(choices))
	case len(choices) == 1:
		return choices[0], nil
	case len(choices) == 0:
		return "", Refuse("diluent", "", "%s has no stability data in any diluent; without it there is no beyond-use date", p.FullName())
	}
	return "", Refuse("diluent", "", "%s has stability data in more than one diluent, and it decides how long it keeps; say which of them the batch ended in: %s", p.FullName(), strings.Join(choices, " or "))
}

func orNothing(choices []string) string {
	if len(choices) == 0 {
		return "nothing that was given"
	}
	return strings.Join(choices, " or ")
}

// component finds one by name among those that pass.
func (p Product) component(name string, pass func(ComponentUse) bool) (ComponentUse, bool) {
	for _, u := range p.Components {
		if NameKey(u.Name) == NameKey(name) && pass(u) {
			return u, true
		}
	}
	return ComponentUse{}, false
}

// names of the components that pass, in their order.
func (p Product) names(pass func(ComponentUse) bool) (all []string) {
	for _, u := range p.Components {
		if pass(u) {
			all = append(all, u.Name)
		}
	}
	return all
}
