package label_test

import (
	"os"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/tracker/label"
	"vialward/tracker/stock"
)

func facts(t *testing.T) label.Facts {
	t.Helper()
	ny, err := time.LoadLocation("America/New_York")
	require.NoError(t, err)
	p := stock.Product{Name: "vecuronium bromide", Amount: 10_000, Volume: 10_000}
	return label.Facts{
		Name: p.Name, Strength: p.Strength(), Form: "solution for injection", Route: "IV", Warning: "PARALYZING AGENT",
		Storage: stock.Refrigerator, Alert: true, BUD: time.Date(2025, 11, 12, 13, 30, 59, 0, time.UTC), Zone: ny,
		Code: label.Code("251110-2", 7), Label: 1,
	}
}

func texts(lines []label.Line) string {
	var b strings.Builder
	for _, l := range lines {
		must := "  "
		if l.Must {
			must = "! "
		}
		b.WriteString(must + l.Text + "\n")
	}
	return b.String()
}

// The golden labels; "!" stands before what the smallest label carries too.
func TestGoldenLabels(t *testing.T) {
	plain := facts(t)
	full := facts(t)
	full.Name, full.Strength, full.Warning, full.Alert = "bortezomib", stock.Product{Amount: 3500, Volume: 3500}.Strength(), "", false
	full.Hazard, full.Light, full.Storage, full.Label, full.Multi = true, true, stock.Freezer, 3, true
	full.Handling, full.Contact = "Wear two pairs of gloves", "Quillmere Infusion Pharmacy, 555.0100"
	room := facts(t)
	room.Name, room.Strength, room.Form, room.Warning, room.Alert = "penicillin G potassium", stock.Product{Amount: 5_000_000_000, AmountUnit: "units", Volume: 10_000}.Strength(), "", "", false
	room.Storage, room.Route = stock.Room, ""
	var got strings.Builder
	for _, f := range []label.Facts{plain, full, room} {
		lines, err := label.Lines(f)
		require.NoError(t, err)
		got.WriteString(texts(lines) + "\n")
	}
	want, err := os.ReadFile("../../testdata/label/labels.golden")
	require.NoError(t, err)
	require.Equal(t, string(want), got.String())
}

// A beyond-use date on a label is never later than the record's, and the night the clocks go back says which hour.
func TestBUDOnTheLabel(t *testing.T) {
	f := facts(t)
	for _, c := range []struct {
		utc  time.Time
		want string
	}{
		{time.Date(2026, 11, 1, 5, 30, 59, 0, time.UTC), "BUD Sun 1 Nov 2026 01:30 EDT - start BEFORE this"},
		{time.Date(2026, 11, 1, 6, 30, 0, 0, time.UTC), "BUD Sun 1 Nov 2026 01:30 EST - start BEFORE this"},
	} {
		f.BUD = c.utc
		lines, err := label.Lines(f)
		require.NoError(t, err)
		require.Contains(t, texts(lines), c.want)
	}
}

func TestFit(t *testing.T) {
	lines, err := label.Lines(facts(t))
	require.NoError(t, err)
	small, err := label.Fit(lines, 7)
	require.NoError(t, err)
	require.Len(t, small, 7)
	require.Equal(t, []string{"name", "strength", "warning", "bud", "storage", "code", "alert"}, kinds(small))
	_, err = label.Fit(lines, 5)
	require.ErrorContains(t, err, "room for 5 lines, but 6 must stand")
	all, err := label.Fit(lines, 100)
	require.NoError(t, err)
	require.Equal(t, lines, all)
}

func kinds(lines []label.Line) []string {
	var k []string
	for _, l := range lines {
		k = append(k, l.Kind)
	}
	return k
}

func TestALabelThatMustNotBePrinted(t *testing.T) {
	_, err := label.Lines(label.Facts{})
	for _, say := range []string{"full generic name", "strength as amount", "beyond-use date", "time zone", "storage class", "vial's code"} {
		require.ErrorContains(t, err, say)
	}
	for name, change := range map[string]func(*label.Facts){
		"zero at the end":  func(f *label.Facts) { f.Strength = "10.0 mg / 10 mL" },
		"code mistyped":    func(f *label.Facts) { f.Code = "251110-2-08-93" },
		"two lines in one": func(f *label.Facts) { f.Name = "vecuronium\nbromide" },
	} {
		f := facts(t)
		change(&f)
		_, err := label.Lines(f)
		require.Error(t, err, name)
	}
}

// Ways of writing amounts that have been misread: published "do not use" lists, from memory (M).
func TestMisreadable(t *testing.T) {
	for text, n := range map[string]int{
		"1.0 mg": 1, "2.50 mL": 1, "10.0": 1, ".5 mL": 1, "give .25": 1, "100 U / mL": 1, "5 IU": 1, "100u": 1, "5 MU": 1, "10 I.U.": 1,
		"50 µg": 1, "50 μg / mL": 1, "50 ug": 1, "5 cc": 1, "1.0 cc": 2,
		"10 mg / 10 mL (1 mg/mL)": 0, "0.05 mg": 0, "100 units / mL": 0, "50 mcg": 0, "10 mL": 0, "20 mg": 0, "1.05": 0, "5 unopened": 0,
		"Lot 7. Keep upright": 0, "": 0,
	} {
		require.Len(t, label.Misreadable(text), n, text)
	}
}
