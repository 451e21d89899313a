package sweep

import (
	"fmt"
	"slices"
	"time"
)

// Totals are a list's vials by what is to be done with them.
type Totals struct {
	By       map[Action]int
	Expected int
	Before   []Deadline // of PullBefore, earliest first
}

// Deadline is how many vials have to be used or pulled before an instant at which somebody is there.
type Deadline struct {
	At    time.Time
	Vials int
}

// Counts adds up the lines of a list.
func Counts(l List) Totals {
	t := Totals{By: map[Action]int{}, Expected: l.Expected}
	for _, u := range l.Units {
		for _, line := range u.Lines {
			t.By[line.Action] += line.Count
			if line.Action == PullBefore {
				t.before(line)
			}
		}
	}
	return t
}

func (t *Totals) before(l Line) {
	i, known := slices.BinarySearchFunc(t.Before, l.PullBy, func(d Deadline, at time.Time) int { return d.At.Compare(at) })
	if !known {
		t.Before = slices.Insert(t.Before, i, Deadline{At: l.PullBy})
	}
	t.Before[i].Vials += l.Count
}

// Held is how many vials may be neither used nor discarded.
func (t Totals) Held() int { return t.By[OnHold] + t.By[NotChecked] }

// Idle says that a list asks for nothing but a look at every shelf.
func (t Totals) Idle() bool { return t.By[PullNow] == 0 && t.By[PullBefore] == 0 }

// Summary is a list in a few words: "pull 9, before 08:30 5, later 2", "nothing to pull, 105 expected". The deadline is
// the first one; of another day than the list's it carries its weekday.
func Summary(l List) string { return Counts(l).words(l) }

func (t Totals) words(l List) string {
	if t.Idle() {
		return fmt.Sprintf("nothing to pull, %d expected", t.Expected)
	}
	words := fmt.Sprintf("pull %d", t.By[PullNow])
	if len(t.Before) > 0 {
		first := t.Before[0]
		words += fmt.Sprintf(", before %s %d", l.Words().clock(first.At), first.Vials)
		if later := t.By[PullBefore] - first.Vials; later > 0 {
			words += fmt.Sprintf(", later %d", later)
		}
	}
	return words
}
