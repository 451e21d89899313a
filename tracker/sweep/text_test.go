package sweep_test

import (
	"encoding/json"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"unicode"
	"unicode/utf8"

	"github.com/stretchr/testify/require"

	"vialward/tracker/stock"
	"vialward/tracker/sweep"
)

var update = flag.Bool("update", false, "write the golden lists anew")

// lists are the golden ones, from invented facts.
func lists() map[string]sweep.Input {
	busy := input(
		batch("251107-1", "PANT", "R1/A", at(11, 8, 30), 1, 4), batch("251107-1", "PANT", "R1/B", at(11, 8, 30), 5, 5),
		batch("251108-1", "METH", "R1/C", at(12, 8, 30), 1, 5),
		batch("251110-1", "VECU", "R1/B", at(13, 12, 0), 1, 3),
		batch("251111-1", "METH", "R1/C", at(15, 9, 0), 1, 9), batch("251111-2", "PANT", "R1/A", at(15, 10, 0), 1, 8),
		with(batch("251112-1", "METH", "R1/B", at(16, 6, 0), 1, 2), unverified),
		batch("251106-1", "BORT", "R6/A", at(12, 9, 15), 1, 2), batch("251105-2", "GANC", "R6/D", at(14, 9, 0), 1, 6),
	)
	empty := input(batch("251111-1", "METH", "R1/C", at(15, 9, 0), 1, 9), batch("251105-2", "GANC", "R6/D", at(14, 9, 0), 1, 6))
	heldStock := input(
		with(batch("251107-1", "PANT", "R1/A", at(11, 8, 30), 1, 3), warm), // past its BUD as well
		with(batch("251110-2", "METH", "R1/C", at(14, 9, 0), 1, 2), warm), batch("251110-2", "METH", "R1/B", at(14, 9, 0), 3, 4),
		with(with(batch("251110-2", "METH", "R1/C", at(14, 9, 0), 9, 1), warm), held(stock.HoldRecall)),
		with(batch("251109-1", "VECU", "R1/B", at(12, 18, 0), 1, 1), held(stock.HoldReturn)),
		with(batch("251112-1", "METH", "R1/B", at(12, 18, 30), 1, 2), unverified),
		batch("251101-1", "PANT", "R9/A", at(15, 9, 0), 1, 1), batch("251101-1", "PANT", "R1/Q", at(15, 9, 0), 2, 1),
	)
	heldStock.Heads["R1"] = sweep.Head{
		Since: at(11, 19, 0), Probes: heldStock.Heads["R1"].Probes,
		Holds: []string{"case 57, warm, from Wed 02:22 to Wed 02:57 EST, shelves A and C: not decided"},
	}
	long := input(batch("251110-4", "HYDC", "R1/A", at(12, 9, 0), 1, 7), batch("251110-5", "HYDC", "R1/B", at(20, 9, 0), 1, 2))
	long.Site.Unit = "[degF]"
	dark := input(batch("251111-1", "METH", "R1/C", at(15, 9, 0), 1, 9))
	old := probe("T1", 4_700, at(12, 6, 47), 4_100, 5_400)
	old.Clock = "its clock is 60 minutes behind; say in which zone it runs"
	stuck := probe("T8", 4_600, at(12, 6, 55), 4_600, 4_600)
	stuck.Stuck = at(11, 3, 10)
	dark.Heads = map[string]sweep.Head{"R1": {Probes: []sweep.Probe{old, {Sensor: "T7"}, stuck}}}
	friday := input( // the evening before a weekend: people leave at 19:30 and come back at 07:30
		batch("251111-4", "BORT", "R6/A", at(14, 23, 0), 1, 2), batch("251108-2", "GANC", "R6/A", at(14, 19, 0), 1, 1),
		batch("251108-2", "GANC", "R6/D", at(14, 19, 0), 2, 1), batch("251112-3", "BORT", "R6/D", at(15, 7, 45), 1, 3),
		batch("251112-4", "GANC", "R6/D", at(15, 8, 0), 1, 1), batch("251112-5", "GANC", "R6/D", at(15, 8, 1), 1, 1),
	)
	friday.Slot, friday.Number, friday.Due, friday.Now, friday.Until = "2025-11-14 19:00", 66, at(14, 19, 0), at(14, 19, 0), at(15, 8, 0)
	friday.Heads = map[string]sweep.Head{"R6": {Since: at(14, 7, 0), Probes: []sweep.Probe{
		probe("T2", 4_320, at(14, 18, 55), 3_900, 8_040, "A"), probe("T3", -25, at(14, 18, 50), -1_800, 3_000, "D"),
	}}}
	busy.RecordHead = "8123: 9f86d081 884c7d65 9a2feaa0 c55ad015 a3bf4f1b 2b0b822c d15d6c15 b0f00a08"
	empty.RecordHead = busy.RecordHead
	return map[string]sweep.Input{"busy": busy, "empty": empty, "held": heldStock, "long_name": long, "no_temperatures": dark, "hazardous": friday}
}

func TestGoldenLists(t *testing.T) {
	for name, in := range lists() {
		t.Run(name, func(t *testing.T) {
			got := sweep.Text(sweep.Make(in))
			file := filepath.Join("..", "..", "testdata", "lists", name+".txt")
			if *update {
				require.NoError(t, os.WriteFile(file, []byte(got), 0o644))
			}
			want, err := os.ReadFile(file)
			require.NoError(t, err)
			require.Equal(t, string(want), got)
			wellPrinted(t, sweep.Make(in), got)
		})
	}
}

// wellPrinted holds of any list: a page a unit, the whole caution and the running number on each, no line too wide,
// none with blanks at its end.
func wellPrinted(t require.TestingT, l sweep.List, text string) {
	pages := strings.Split(text, "\f")
	require.Len(t, pages, max(1, len(l.Units)))
	for _, p := range pages {
		require.Contains(t, strings.Join(strings.Fields(p), " "), sweep.Caution)
		require.True(t, strings.HasPrefix(p, "SWEEP "))
		require.Contains(t, p, l.Code())
		require.Contains(t, p, "FOUND, NOT LISTED")
		require.Equal(t, 2, strings.Count(p, "______   at ____:____"))
		for line := range strings.SplitSeq(p, "\n") {
			require.LessOrEqual(t, utf8.RuneCountInString(line)+strings.Count(line, "点")+strings.Count(line, "滴"), 100, line)
			require.False(t, strings.ContainsFunc(line, func(r rune) bool { return !unicode.IsPrint(r) }), "%q", line)
			require.Equal(t, strings.TrimRight(line, " \t\r"), line)
		}
	}
}

// A list kept as JSON prints the same years later, its site unknown.
func TestPrintsAgainFromItsDocument(t *testing.T) {
	for name, in := range lists() {
		made := sweep.Make(in)
		doc, err := json.Marshal(made)
		require.NoError(t, err)
		var read sweep.List
		require.NoError(t, json.Unmarshal(doc, &read))
		require.Equal(t, sweep.Text(made), sweep.Text(read), name)
		require.Equal(t, sweep.Summary(made), sweep.Summary(read), name)
		again, err := json.Marshal(read)
		require.NoError(t, err)
		require.JSONEq(t, string(doc), string(again), name)
		require.Contains(t, string(doc), `"due_at":"2025-11-1`)
		require.Contains(t, string(doc), `:00:00-05:00"`, "instants carry the site's offset")
	}
}

// letters of a text without its breaks.
func letters(s string) string {
	return strings.Map(func(r rune) rune {
		if !unicode.IsPrint(r) || r == ' ' {
			return -1
		}
		return r
	}, s)
}

// A machine that has lost the site's zone prints the offsets that were kept, and guesses no local time.
func TestZoneNoLongerKnown(t *testing.T) {
	l := sweep.Make(lists()["busy"])
	l.Zone = "Nowhere/At_All"
	text := sweep.Text(l)
	require.Contains(t, text, "Wed 12 Nov 2025 07:00 -05:00")
	require.Contains(t, text, "USE OR PULL BEFORE Wed 08:30 -05:00")
	require.NotContains(t, text, "EST")
}

// Nothing is cut: a name of 120 letters stands there in full, over two lines.
func TestLongNameInFull(t *testing.T) {
	text := sweep.Text(sweep.Make(lists()["long_name"]))
	require.Equal(t, 120, utf8.RuneCountInString(long120))
	require.Contains(t, strings.Join(strings.Fields(text), " "), long120+" 100 mg / 10 mL (10 mg/mL)")
}

func TestSiteWithoutUnits(t *testing.T) {
	in := input()
	in.Site.Rooms = nil
	l := sweep.Make(in)
	wellPrinted(t, l, sweep.Text(l))
	require.Contains(t, sweep.Text(l), "no storage unit")
}

// 5,000 vials are a large site; its list is made within a transaction.
func BenchmarkMake5000(b *testing.B) {
	var groups [][]stock.Vial
	for i := range 500 {
		place := []string{"R1/A", "R1/B", "R1/C", "R6/A", "R6/D"}[i%5]
		groups = append(groups, batch(fmt.Sprintf("2511%02d-%d", i%30+1, i/30), "PANT", place, at(11+i%9, i%24, 0), 1, 10))
	}
	in := input(groups...)
	b.ReportAllocs()
	for b.Loop() {
		sweep.Make(in)
	}
}

func BenchmarkText(b *testing.B) {
	l := sweep.Make(lists()["busy"])
	for b.Loop() {
		sweep.Text(l)
	}
}

// The code on a list's pages comes back as what it stands for, however it is typed; nothing else does.
func TestCodeOfAList(t *testing.T) {
	for typed, want := range map[string]string{
		sweep.List{Site: "QUILL", Number: 61}.Code(): "QUILL 61", " sweep-quill-61\n": "QUILL 61", "SWEEP-A-B-1200": "A-B 1200",
		"SWEEP-QUILL": "", "SWEEP--61": "", "SWEEP-QUILL-": "", "SWEEP-QUILL-0": "", "61": "", "": "", "251111-2": "",
	} {
		site, number, ok := sweep.ParseCode(typed)
		require.Equal(t, want != "", ok, typed)
		if ok {
			require.Equal(t, want, fmt.Sprintf("%s %d", site, number))
		}
	}
}
