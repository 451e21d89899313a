package stock

import (
	"slices"
	"strings"
)

// missing warns of what nobody at all could do.
func (c *checker) missing() {
	c.oneOf("competencies", c.site.Competencies, "", Enforced, Shown)
	var none []string
	for _, what := range []string{Aseptic, Verifying, Releasing} {
		has := func(p Person) bool {
			return slices.ContainsFunc(p.Competencies, func(x Competency) bool { return x.What == what })
		}
		if !slices.ContainsFunc(c.site.People, has) {
			none = append(none, what)
		}
	}
	c.warn(c.site.Competencies != Shown && len(none) > 0, "people",
		"nobody has the competency %s, so nobody may do what needs it; record who was assessed, or say competencies = %q", strings.Join(none, ", "), Shown)
}

// competencies looks at those of one person.
func (c *checker) competencies(at string, p Person) {
	for i, x := range p.Competencies {
		here := nth(at+".competencies", i)
		c.oneOf(here+".what", x.What, CompetencyKinds()...)
		c.when(x.AssessedBy == "", here+".assessed_by", "say who assessed %s: a person's code, or who it was in words", p.Code)
		c.when(x.AssessedBy == p.Code, here+".assessed_by", "nobody assesses themself; name whoever assessed %s", p.Code)
		c.when(x.From.IsZero(), here+".from", "say from when it counts")
		c.when(!x.Until.After(x.From), here+".until", "it counts until after it begins; say its last day")
	}
}
