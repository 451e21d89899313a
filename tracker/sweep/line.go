package sweep

import (
	"fmt"
	"strings"
)

// line prints what to do, with how many of what; then which they are, where they stand and where they go; then why.
func (p printer) line(b *strings.Builder, l Line) {
	flow(b, "[ ] ", "      ", append([]string{p.action(l), vials(l.Count), l.Name}, l.marks()...)...)
	bud := "BUD " + p.say(l.BeyondUse)
	if l.Past {
		bud += " (past)"
	}
	which := []string{"batch " + l.Batch, bud}
	for _, s := range l.Shelves {
		where := fmt.Sprintf("%s: %d", shelf(s.Shelf), s.Count)
		if len(s.Serials) > 0 {
			where += " (no. " + ranges(s.Serials) + ")"
		}
		which = append(which, where)
	}
	if l.Action == PullNow || l.Action == PullBefore {
		into := l.Into
		if into == "" {
			into = "________ (no container on record)"
		}
		which = append(which, "into: "+into)
		if l.TwoPersons {
			which = append(which, "two persons: ____ and ____")
		}
	}
	flow(b, "      ", "      ", which...)
	if why := p.why(l); len(why) > 0 {
		flow(b, "      ", "      ", strings.Join(why, "; "))
	}
}

func (p printer) action(l Line) string {
	switch l.Action {
	case OnHold:
		return "DO NOT USE - ON HOLD"
	case NotChecked:
		return "NOT CHECKED - DO NOT USE"
	case PullNow:
		return "PULL NOW"
	case PullBefore:
		return "USE OR PULL BEFORE " + p.day(l.PullBy)
	case UseFirst:
		return "USE FIRST"
	case Stay:
		return "COUNT"
	default:
		return string(l.Action)
	}
}

func (l Line) marks() []string {
	var marks []string
	if l.Hazardous {
		marks = append(marks, "HAZARDOUS")
	}
	if l.HighAlert {
		marks = append(marks, "HIGH ALERT")
	}
	return append(marks, l.Warning)
}

// why a line stands where it does, where its action and BUD do not say so already.
func (p printer) why(l Line) []string {
	switch l.Action { //nolint:exhaustive // the others say it by their name and BUD
	case OnHold:
		return append([]string{"on hold: " + l.Held}, p.heldWhy(l)...)
	case NotChecked:
		why := []string{"nobody has verified it"}
		if !l.PullBy.IsZero() {
			why = append(why, "pull it before "+p.day(l.PullBy)+" unless it is verified by then")
		}
		return why
	case PullNow:
		var why []string
		if !l.Past {
			why = append(why, "nobody is here before its BUD")
		}
		if l.Unverified {
			why = append(why, "nobody has verified it")
		}
		return why
	case PullBefore:
		if l.PullBy.Before(l.BeyondUse) {
			return []string{"nobody is here from " + p.day(l.PullBy) + " to its BUD"}
		}
	}
	return nil
}

func (p printer) heldWhy(l Line) []string {
	var why []string
	if l.Unverified {
		why = append(why, "nobody has verified it")
	}
	switch {
	case l.Past:
		why = append(why, "PAST ITS BUD too: not to be used whatever is decided; DO NOT DISCARD until then")
	case !l.BeyondUse.After(p.LooksUntil):
		why = append(why, "its BUD comes by the next staffed sweep: ask a pharmacist now; DO NOT DISCARD")
	default:
		why = append(why, "DO NOT DISCARD: leave it in its place until a pharmacist has decided")
	}
	return why
}
