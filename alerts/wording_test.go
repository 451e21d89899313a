package alerts_test

import (
	"flag"
	"html/template"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/fstest"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"vialward/alerts"
	"vialward/tracker/thermal"
)

var update = flag.Bool("update", false, "write testdata/mails anew")

func golden(t *testing.T, name, got string) {
	t.Helper()
	path := filepath.Join("..", "testdata", "mails", name)
	if *update {
		require.NoError(t, os.MkdirAll(filepath.Dir(path), 0o755))
		require.NoError(t, os.WriteFile(path, []byte(got), 0o644))
	}
	want, err := os.ReadFile(path)
	require.NoError(t, err)
	require.Equal(t, string(want), got, "%s: look at the difference; if it is meant, run the test with -update", path)
}

// Every kind as it is read, subject line first.
func TestEveryKindReads(t *testing.T) {
	covered := map[alerts.Kind]bool{}
	for _, s := range samples() {
		m, err := alerts.Templates().Render(s.kind, s.facts)
		require.NoError(t, err, s.name)
		covered[s.kind] = true
		golden(t, s.name+".txt", "Subject: "+m.Subject+"\n\n"+m.Text)
		golden(t, s.name+".html", m.HTML)
	}
	for _, k := range alerts.Kinds() {
		require.True(t, covered[k], "no sample of kind %s", k)
	}
}

// What every mail must hold, whatever its kind: it stands in our rules for mails, not in the layouts.
func TestEveryMailKeepsTheRules(t *testing.T) {
	for _, s := range samples() {
		m, err := alerts.Templates().Render(s.kind, s.facts)
		require.NoError(t, err)
		subjectFits(t, m.Subject)
		require.Contains(t, unwrapped(m.Text), alerts.Caution, s.name)
		require.Contains(t, unwrapped(m.HTML), template.HTMLEscapeString(alerts.Caution), s.name)
		require.True(t, strings.HasPrefix(m.Text, "DO    "), "%s: the first word is DO", s.name)
		require.Contains(t, m.Text, "\nWHAT  ", s.name)
		require.Regexp(t, `20\d\d \d\d:\d\d E[SD]T`, m.Text, "%s: an absolute time with its zone", s.name)
		require.NotContains(t, m.Text, "\r")
		for _, l := range strings.Split(m.Text, "\n") {
			longest := 78 // RFC 5322, 2.1.1
			if s.kind == alerts.SweepList && strings.Contains(list("busy.txt"), l) {
				longest = 100 // the list is there to be printed, as wide as it is on paper
			}
			require.LessOrEqual(t, utf8.RuneCountInString(l), longest, "%s: %q", s.name, l)
		}
		require.LessOrEqual(t, len(m.HTML), alerts.HTMLMax)
		for _, bad := range []string{"<img", "<script", "http-equiv", "@import", "url(", "<link", " width:", ";width:", "background"} {
			require.NotContains(t, m.HTML, bad, "%s: nothing is loaded, nothing is wider than a phone, no colour fights a dark screen", s.name)
		}
		require.NotRegexp(t, "<(table|pre)", m.HTML, "%s: it wraps at 320 px", s.name)
	}
}

func subjectFits(t require.TestingT, s string) {
	require.NotEmpty(t, s)
	require.LessOrEqual(t, utf8.RuneCountInString(s), alerts.SubjectMax, s)
	require.False(t, strings.ContainsFunc(s, func(r rune) bool { return unicode.IsControl(r) || unicode.Is(unicode.Cf, r) }), "%q", s)
}

func TestSubjects(t *testing.T) {
	past := with(warm(), func(f *alerts.Incident) { f.Now = at(time.October, 15, 3, 30) })
	for _, c := range []struct {
		kind  alerts.Kind
		facts alerts.Facts
		want  string
	}{
		{alerts.Warm, warm(), "WARM R1 9.6 C, act by 03:22, 33 vials"},
		{alerts.Warm, with(warm(), func(f *alerts.Incident) { f.Fahrenheit = true }), "WARM R1 9.6 C / 49.3 F, act by 03:22, 33 vials"},
		{alerts.Warm, with(warm(), func(f *alerts.Incident) { f.ActBy = nil }), "WARM R1 9.6 C since 02:22, 33 vials"},
		{alerts.Warm, past, "WARM R1 9.6 C, time out ended 03:22, 33 vials"},
		{alerts.Warm, with(warm(), func(f *alerts.Incident) { f.Last.MilliC = 8001 }), "WARM R1 8.1 C, act by 03:22, 33 vials"}, // never "8.0"
		{alerts.Cold, cold(), "COLD R1 1.2 C since 02:22, 33 vials"},
		{alerts.Freezing, freezing(), "FREEZING R6 -1.8 C since 04:10, 24 vials, back wall"},
		{alerts.NoTemperatures, silent(), "NO TEMPERATURES R3 since Sat 23:10, 8 vials"},
		{alerts.StillOpen, silent(), "STILL NO TEMPERATURES R3 since Sat 23:10, 8 vials"},
		{alerts.Worse, freezing(), "NOW FREEZING R6 -1.8 C since 04:10, 24 vials, back wall"},
		{alerts.ScheduleMissed, missedLists(), "NOT MADE: 6 sweep lists, Sat 08:00 to Tue 19:00, work 055"},
		{alerts.AllBack, back(), "41 STILL ON HOLD, all loggers back 08:10, R1 out of range"},
		{alerts.AllBack, backBut(), "41 STILL ON HOLD, 5 of 6 loggers back 08:10"},
		{alerts.NeverHeard, unheard(), "NEVER HEARD: 3 loggers, 8 vials on hold, since 00:00"},
		{alerts.NeverHeard, alerts.Unheard{Site: site(at(time.October, 15, 9, 0)), NotYet: 2, Loggers: []alerts.UnheardLogger{{Sensor: "T4", Unit: "R3", Assigned: at(time.October, 13, 8, 0)}}},
			"NEVER HEARD: T4 in R3, 2 vials unproven, since Mon 08:00"},
		{alerts.Recovered, warm(), "33 STILL ON HOLD, R1 back in range"},
		{alerts.Recovered, with(warm(), func(f *alerts.Incident) { f.OnHold = 0 }), "R1 back in range, nothing on hold"},
		{alerts.SweepUnconfirmed, alerts.Unconfirmed{Site: site(at(time.November, 12, 9, 0)), Number: 61, Slot: at(time.November, 12, 7, 0),
			ConfirmBy: at(time.November, 12, 9, 0), Before: []alerts.Before{{At: at(time.November, 12, 9, 0), Count: 3}, {At: at(time.November, 12, 9, 1), Count: 5}}},
			"SWEEP 061 NOT CONFIRMED by 09:00, 3 to pull"}, // three were to be used or pulled before it
		{alerts.SweepList, sweep(), "SWEEP 061, 12 Nov: pull 9, 5 by 08:30"},
	} {
		m, err := alerts.Templates().Render(c.kind, c.facts)
		require.NoError(t, err)
		require.Equal(t, c.want, m.Subject)
	}
}

// A lock screen shows the first 40 characters: a list's counts stand there whole.
func TestSweepsOnALockScreen(t *testing.T) {
	for want, change := range map[string]func(*alerts.Sweep){
		"SWEEP 061, 12 Nov: pull 13, 11 by 08:30":  func(f *alerts.Sweep) { f.Pull, f.Before[0].Count = 13, 11 },
		"SWEEP 061, 12 Nov: nothing to pull, 1050": func(f *alerts.Sweep) { f.Pull, f.Before, f.Expected = 0, nil, 1050 },
		"SWEEP 061, 12 Nov: pull 130, 12 on hold":  func(f *alerts.Sweep) { f.Pull, f.Before, f.OnHold = 130, nil, 12 },
	} {
		f := sweep()
		change(&f)
		m, err := alerts.Templates().Render(f.Kind(), f)
		require.NoError(t, err)
		require.Equal(t, want, m.Subject[:min(len(m.Subject), alerts.SubjectAlone)])
	}
}

// No figure without a source: where no allowance is on record, the mail says so and names no time to act by.
func TestNoTimeWithoutASourcedAllowance(t *testing.T) {
	f := with(warm(), func(f *alerts.Incident) { f.ActBy = nil })
	m, err := alerts.Templates().Render(alerts.Warm, f)
	require.NoError(t, err)
	require.NotContains(t, m.Subject, "act by")
	require.NotContains(t, m.Text, " by 03:22")
	m, err = alerts.Templates().Render(alerts.Freezing, with(freezing(), func(f *alerts.Incident) {
		f.ActBy = &alerts.Deadline{At: at(time.October, 25, 6, 0), What: "an allowance"}
	}))
	require.NoError(t, err)
	require.NotContains(t, m.Subject+m.Text, "06:00", "no allowed time out counts against a freeze")
}

// Who is asked to go is told how to say no: by an answer where answers are read, by telephone where they are not.
func TestHowToSayNo(t *testing.T) {
	for answers, want := range map[bool]string{true: "Reply GOING or CANNOT.", false: "If not, ring somebody who can: answers to this mail are not read."} {
		m, err := alerts.Templates().Render(alerts.Warm, with(warm(), func(f *alerts.Incident) { f.Answers = answers }))
		require.NoError(t, err)
		require.Contains(t, strings.Join(strings.Fields(m.Text), " "), "by 03:22 EDT? "+want)
	}
}

// Each fault has a first step of its own, and none says to discard or to release.
func TestFirstStepsDiffer(t *testing.T) {
	text := func(k alerts.Kind, f alerts.Facts) string {
		m, err := alerts.Templates().Render(k, f)
		require.NoError(t, err)
		return unwrapped(m.Text)
	}
	require.Contains(t, text(alerts.Warm, warm()), "shut the door, check plug")
	require.Contains(t, text(alerts.Warm, warm()), "move everything to R2 (4.6 °C at 02:38, room for 60; not for hazardous stock).")
	require.NotContains(t, text(alerts.Warm, warm()), "R6", "a place for hazardous stock only is not offered to other stock")
	require.Contains(t, text(alerts.Freezing, freezing()), "do not shake the vials, do not thaw or warm them")
	require.Contains(t, text(alerts.Freezing, freezing()), "none with room is on record", "hazardous stock is not sent among other stock")
	require.Contains(t, text(alerts.NoTemperatures, silent()), "read the unit's own display")
	for _, f := range []alerts.Incident{warm(), cold(), freezing(), silent()} {
		require.Contains(t, text(f.Wrong, f), "DO NOT DISCARD")
		require.Contains(t, text(alerts.Recovered, f), "releases nothing")
	}
}

func TestTimesOfTheRepeatedHourCarryTheirZone(t *testing.T) {
	second := time.Date(2025, 11, 2, 6, 30, 0, 0, time.UTC) // 01:30 EST, an hour after 01:30 EDT
	f := with(warm(), func(f *alerts.Incident) {
		f.Now, f.Since, f.ActBy = second.Add(-20*time.Minute), second.Add(-70*time.Minute), &alerts.Deadline{At: second, What: "x"}
	})
	m, err := alerts.Templates().Render(alerts.Warm, f)
	require.NoError(t, err)
	require.Equal(t, "WARM R1 9.6 C, act by 01:30 EST, 33 vials", m.Subject)
	require.Contains(t, unwrapped(m.Text), "since 01:20 EDT (50 minutes)")
}

func TestAProductIsNotNamedInASubjectWhereTheSiteSaysSo(t *testing.T) {
	f := alerts.Recall{Site: site(at(time.November, 5, 6, 0)), Recall: 1, What: "METHYLPRED lot 7", Opened: at(time.November, 5, 6, 0)}
	m, err := alerts.Templates().Render(alerts.RecallOpened, f)
	require.NoError(t, err)
	require.Contains(t, m.Subject, "METHYLPRED")
	f.HideProducts = true
	m, err = alerts.Templates().Render(alerts.RecallOpened, f)
	require.NoError(t, err)
	require.NotContains(t, m.Subject, "METHYLPRED")
	require.Contains(t, m.Text, "METHYLPRED")
}

// A broken layout, at reading or at running, costs the looks and nothing else.
func TestABrokenTemplateGivesPlainFacts(t *testing.T) {
	good := func(name string) []byte {
		b, err := os.ReadFile(filepath.Join("templates", name))
		require.NoError(t, err)
		return b
	}
	for what, files := range map[string][2]string{
		"does not parse":      {"{{range}}", ""},
		"asks for no field":   {"{{.Nothing}}", ""},
		"html does not run":   {"", "{{template \"none\"}}"},
		"prints a fault":      {`{{printf "%d" "x"}}`, ""},
		"html prints a fault": {"", `{{printf "%d" "x"}}`},
		"missing":             {"-", "-"},
	} {
		fsys := fstest.MapFS{}
		for i, name := range []string{"mail.txt.tmpl", "mail.html.tmpl"} {
			switch files[i] {
			case "":
				fsys["templates/"+name] = &fstest.MapFile{Data: good(name)}
			case "-":
			default:
				fsys["templates/"+name] = &fstest.MapFile{Data: []byte(files[i])}
			}
		}
		for _, s := range samples() {
			m, err := alerts.Parse(fsys).Render(s.kind, s.facts)
			require.Error(t, err, what)
			whole, err := alerts.Templates().Render(s.kind, s.facts)
			require.NoError(t, err)
			require.Equal(t, whole.Subject, m.Subject, what)
			require.Equal(t, unwrapped(whole.Text), unwrapped(m.Text), "%s: every word of %s is there", what, s.name)
			require.Contains(t, m.HTML, "DO ")
		}
	}
}

func TestAKindThatDoesNotGoWithItsFactsIsStillSent(t *testing.T) {
	for _, s := range samples() {
		m, err := alerts.Templates().Render("nonsense", s.facts)
		require.ErrorIs(t, err, alerts.ErrKind)
		require.NotEmpty(t, m.Subject)
		require.Contains(t, unwrapped(m.Text), alerts.Caution)
	}
}

// Data from outside (names, reasons, file names) can neither open a header line nor break the mark-up, and whatever it
// is, value and time stay within the first 40 characters.
func TestHostileData(t *testing.T) {
	word := rapid.StringOf(rapid.OneOf(rapid.Rune(), rapid.SampledFrom([]rune("\r\n\x00\t <>&\"'%!\u202e\u200b"))))
	rapid.Check(t, func(t *rapid.T) {
		f := warm()
		f.Unit, f.Room, f.Sensor, f.Where = "R"+word.Draw(t, "unit"), word.Draw(t, "room"), word.Draw(t, "sensor"), word.Draw(t, "where")
		f.Name, f.Stock[0].Product, f.ActBy.What = word.Draw(t, "site"), word.Draw(t, "product"), word.Draw(t, "what")
		f.OnHold = rapid.IntRange(0, 1_000_000).Draw(t, "vials")
		f.Fahrenheit = rapid.Bool().Draw(t, "fahrenheit")
		f.Last.MilliC = thermal.MilliC(rapid.IntRange(8001, 99_000).Draw(t, "temperature"))
		for _, k := range []alerts.Kind{alerts.Warm, alerts.Worse, alerts.StillOpen, alerts.Recovered, alerts.WorkEndedOut} {
			m, err := alerts.Templates().Render(k, f)
			require.NoError(t, err)
			subjectFits(t, m.Subject)
			require.NotContains(t, m.Text, "\r")
			require.Equal(t, 1, strings.Count(m.HTML, "<html"))
			if k == alerts.Warm && !f.Fahrenheit {
				alone := string([]rune(m.Subject)[:min(alerts.SubjectAlone, utf8.RuneCountInString(m.Subject))])
				require.Regexp(t, `^WARM R.* \d+\.\d C, act by 03:22`, alone)
			}
		}
	})
}

// Facts with everything missing still make a mail: a wording that panics at night loses the hold it is committed with.
func TestEmptyFacts(t *testing.T) {
	for _, f := range []alerts.Facts{alerts.Incident{}, alerts.Silence{}, alerts.Back{}, alerts.Unheard{}, alerts.Late{}, alerts.Clock{}, alerts.Intake{}, alerts.Area{},
		alerts.Recall{}, alerts.Sweep{}, alerts.Unconfirmed{}, alerts.MissedLists{}, alerts.Queue{}, alerts.Drill{}} {
		for _, k := range alerts.Kinds() {
			m, _ := alerts.Templates().Render(k, f)
			subjectFits(t, m.Subject)
			require.Contains(t, unwrapped(m.Text), alerts.Caution)
		}
	}
}

func TestALongMailStaysShortAndAListTooLongIsTextAlone(t *testing.T) {
	f := warm()
	for range 1000 {
		f.Stock = append(f.Stock, f.Stock[0])
	}
	m, err := alerts.Templates().Render(alerts.Warm, f)
	require.NoError(t, err)
	require.Contains(t, m.HTML, "and 943 more lines")
	require.Contains(t, m.Text, "https://vialward.example/quillmere/cases/4")

	s := sweep()
	s.Text = strings.Repeat(s.Text, 500)
	s.HTML = template.HTML(strings.Repeat(string(s.HTML), 500))
	m, err = alerts.Templates().Render(alerts.SweepList, s)
	require.NoError(t, err)
	require.Empty(t, m.HTML, "a mail reader would cut it off; the text holds all of it")
	require.Equal(t, 500, strings.Count(m.Text, "PULL NOW"))
}
