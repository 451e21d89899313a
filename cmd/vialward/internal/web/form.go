package web

import (
	"crypto/rand"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"vialward/tracker"
	"vialward/tracker/stock"
	"vialward/tracker/walltime"
)

// form is what somebody typed into a page on which something is done, and what is wrong with it, beside each field.
type form struct {
	Once string // of this form as it was shown: what it asks for is done once
	Say  string // what is wrong with the whole
	Kept moment // when it was typed, if it is brought back

	values url.Values
	wrong  map[string]string
	zone   *time.Location
	now    time.Time
}

func newForm(values url.Values) *form {
	return &form{Once: rand.Text() + rand.Text(), values: values, wrong: map[string]string{}}
}

// sentForm reads one that was sent.
func sentForm(values url.Values) (*form, error) {
	f := newForm(values)
	if f.Once = values.Get("once"); len(f.Once) < 20 || len(f.Once) > 64 {
		return nil, wrong(http.StatusBadRequest, "What was sent is not a form of this page. Open the page and fill it in again.")
	}
	return f, nil
}

// Get is what stands in a field.
func (f *form) Get(name string) string { return f.values.Get(name) }

// All is what stands in all fields of a name.
func (f *form) All(name string) []string { return f.values[name] }

// Has says whether a choice is ticked.
func (f *form) Has(name, value string) bool { return slices.Contains(f.values[name], value) }

// Wrong is what is wrong with a field; "" = nothing.
func (f *form) Wrong(name string) string { return f.wrong[name] }

// Field is a field for its template.
func (f *form) Field(name, label string) field {
	return field{Name: name, Label: label, Value: f.Get(name), Wrong: f.Wrong(name)}
}

// field is an input with its label, and what is wrong with it.
type field struct{ Name, Label, Value, Wrong, Hint, Mode, Type, List string }

// With a sentence below its label.
func (x field) With(hint string) field { x.Hint = hint; return x }

// Digits asks for a number pad.
func (x field) Digits() field { x.Mode = "numeric"; return x }

// Decimal asks for a number pad with a point.
func (x field) Decimal() field { x.Mode = "decimal"; return x }

// Moment asks for a day and a time, by a 24 h clock: what browsers offer for it follows the reader's country.
func (x field) Moment() field {
	if x.Hint == "" {
		x.Hint = "2025-11-12 08:30, or 08:30 for today"
	}
	return x
}

// Secret is not shown, and never kept.
func (x field) Secret() field { x.Type, x.Value = "password", ""; return x }

// From offers what a list of the page has.
func (x field) From(list string) field { x.List = list; return x }

// ok says that nothing is wrong yet.
func (f *form) ok() bool { return len(f.wrong) == 0 && f.Say == "" }

// fault says what is wrong with a field; the first that is said counts.
func (f *form) fault(name, say string, args ...any) {
	if f.wrong[name] == "" {
		f.wrong[name] = fmt.Sprintf(say, args...)
	}
}

// text of a line that must be there.
func (f *form) text(name, need string) string {
	s := strings.TrimSpace(f.Get(name))
	if s == "" {
		f.fault(name, "%s", need)
	}
	return s
}

// longestLine of what is typed into one field, in bytes.
const longestLine = 2000

// bounded says of every field that is too long for a line.
func (f *form) bounded() {
	for name, all := range f.values {
		for _, s := range all {
			if len(s) > longestLine {
				f.fault(name, "This is longer than %d characters; shorten it.", longestLine)
			}
		}
	}
}

// number is a whole one, from least to most; empty is refused unless least is below zero.
func (f *form) number(name string, least, most int, need string) int {
	s := strings.TrimSpace(f.Get(name))
	if s == "" {
		f.fault(name, "%s", need)
		return 0
	}
	n, err := strconv.Atoi(s)
	if err != nil || n < least || n > most {
		f.fault(name, "%q is not a whole number from %d to %d.", s, least, most)
		return 0
	}
	return n
}

// localMoment is how a day and a time are typed.
const localMoment = "2006-01-02 15:04"

// moment is a day and a time of the site's clock, or a time of today; zero where nothing was typed. One that comes twice, on
// the night the clocks go back, is the earlier one; one that is skipped is refused.
func (f *form) moment(name string) time.Time {
	s := strings.Join(strings.Fields(strings.ReplaceAll(f.Get(name), "T", " ")), " ")
	if s == "" {
		return time.Time{}
	}
	day := s
	if len(s) <= len("15:04") {
		day = f.now.In(f.zone).Format(time.DateOnly) + " " + s
	}
	t, err := time.Parse(localMoment, day)
	if err != nil {
		f.fault(name, "%q is no day with a time; write it as 2025-11-12 08:30, or 08:30 for today.", s)
		return time.Time{}
	}
	r := walltime.Resolve(walltime.Of(t, time.UTC), f.zone)
	if r.Kind == walltime.None || r.Kind == walltime.Missing {
		f.fault(name, "The clocks of the site skip %s that day; look at the time again.", t.Format("15:04"))
		return time.Time{}
	}
	return r.First
}

// refused puts a refusal beside the field it is about, or above all.
func (f *form) refused(err error, p problem, beside map[string]string) {
	var refusal *stock.Refusal
	say := upperFirst(p.Detail)
	if !strings.HasSuffix(say, ".") {
		say += "."
	}
	switch {
	case errors.As(err, &refusal) && beside[refusal.Code] != "":
		f.fault(beside[refusal.Code], "%s", say)
	case errors.Is(err, tracker.ErrWrong):
		f.fault("password", "%s", say)
	default:
		f.Say = say
	}
}

// kept is what may wait for its person: everything but what proves who they are, and marks of the one form.
func (f *form) kept() map[string][]string {
	all := map[string][]string{}
	for name, v := range f.values {
		if name == "once" || name == "password" {
			continue
		}
		all[name] = v
	}
	return all
}
