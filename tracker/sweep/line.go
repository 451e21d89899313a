package sweep

import (
	"fmt"
	"strings"

	"vialward/tracker/stock"
)

// line prints what to do, with how many of what; then which they are, where they stand and where they go; then why.
func (w Words) line(b *strings.Builder, l Line) {
	flow(b, "[ ] ", "      ", append([]string{w.Action(l), vials(l.Count), l.Name}, l.Marks()...)...)
	bud := "BUD " + w.say(l.BeyondUse)
	if l.Past {
		bud += " (past)"
	}
	which := []string{"batch " + l.Batch, bud}
	which = append(which, w.Where(l)...)
	if into := w.Into(l); into != "" {
		which = append(which, "into: "+into)
		if l.TwoPersons {
			which = append(which, "two persons: ____ and ____")
		}
	}
	flow(b, "      ", "      ", which...)
	if why := w.Why(l); len(why) > 0 {
		flow(b, "      ", "      ", strings.Join(why, "; "))
	}
}

// Where its vials stand: "shelf A: 4".
func (Words) Where(l Line) []string {
	var out []string
	for _, s := range l.Shelves {
		where := fmt.Sprintf("%s: %d", ShelfName(s.Shelf), s.Count)
		if len(s.Serials) > 0 {
			where += " (no. " + stock.SayNumbers(s.Serials) + ")"
		}
		out = append(out, where)
	}
	return out
}

// Into says which container what is pulled goes into; "" for what is not.
func (Words) Into(l Line) string {
	switch {
	case l.Action != PullNow && l.Action != PullBefore:
		return ""
	case l.Into == "":
		return "________ (no container on record)"
	default:
		return l.Into
	}
}

// Action is what is to be done.
func (w Words) Action(l Line) string {
	switch l.Action {
	case OnHold:
		return "DO NOT USE - ON HOLD"
	case NotChecked:
		return "NOT CHECKED - DO NOT USE"
	case PullNow:
		return "PULL NOW"
	case PullBefore:
		return "USE OR PULL BEFORE " + w.day(l.PullBy)
	case UseFirst:
		return "USE FIRST"
	case Stay:
		return "COUNT"
	default:
		return string(l.Action)
	}
}

// Marks are what stands out about a product.
func (l Line) Marks() []string {
	var marks []string
	if l.Hazardous {
		marks = append(marks, "HAZARDOUS")
	}
	if l.HighAlert {
		marks = append(marks, "HIGH ALERT")
	}
	if l.Warning != "" {
		marks = append(marks, l.Warning)
	}
	return marks
}

// Why a line stands where it does, where its action and BUD do not say so already.
func (w Words) Why(l Line) []string {
	switch l.Action { //nolint:exhaustive // the others say it by their name and BUD
	case OnHold:
		return append([]string{"on hold: " + l.Held}, w.heldWhy(l)...)
	case NotChecked:
		why := []string{"nobody has verified it"}
		if !l.PullBy.IsZero() {
			why = append(why, "pull it before "+w.day(l.PullBy)+" unless it is verified by then")
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
			return []string{"nobody is here from " + w.day(l.PullBy) + " to its BUD"}
		}
	}
	return nil
}

func (w Words) heldWhy(l Line) []string {
	var why []string
	if l.Unverified {
		why = append(why, "nobody has verified it")
	}
	switch {
	case l.Past:
		why = append(why, "PAST ITS BUD too: not to be used whatever is decided; DO NOT DISCARD until then")
	case !l.BeyondUse.After(w.LooksUntil):
		why = append(why, "its BUD comes by the next staffed sweep: ask a pharmacist now; DO NOT DISCARD")
	default:
		why = append(why, "DO NOT DISCARD: leave it in its place until a pharmacist has decided")
	}
	return why
}
