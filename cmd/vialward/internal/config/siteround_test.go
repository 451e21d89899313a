package config

import (
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"vialward/tracker/stock"
	"vialward/tracker/walltime"
)

const demoSite = "../demo/site.toml"

func TestEveryMistakeIsListedAtOnce(t *testing.T) {
	text := readFile(t, testdata, "small.toml")
	for _, m := range [][2]string{
		{"Europe/Berlin", "Europe/Nowhere"}, {`at = "07:00"`, `at = "7"`}, {`to = ["rph-1"]`, `to = ["rph-9"]`},
		{"bench = \"30 min\"\n", ""}, {`each = "7"`, `each = "a lot"`},
	} {
		text = strings.Replace(text, m[0], m[1], 1)
	}
	_, problems := ReadSite([]byte(text))
	var lines []string
	for _, p := range problems {
		lines = append(lines, p.String())
	}
	golden(t, "several.golden", strings.Join(lines, "\n")+"\n")
}

var update = flag.Bool("update", false, "write the golden files anew; read the difference before committing it")

// golden compares with a file of testdata/site.
func golden(t *testing.T, name, got string) {
	t.Helper()
	path := filepath.Join(testdata, name)
	if *update {
		require.NoError(t, os.WriteFile(path, []byte(got), 0o644))
	}
	want, err := os.ReadFile(path)
	require.NoError(t, err)
	require.Equal(t, string(want), got)
}

// Files come from editors of every kind: lines may end in CR LF, and a byte order mark may stand first.
func TestLineEndsAndByteOrderMarkChangeNothing(t *testing.T) {
	text := readFile(t, testdata, "small.toml")
	want, _ := ReadSite([]byte(text))
	got, problems := ReadSite([]byte("\ufeff" + strings.ReplaceAll(text, "\n", "\r\n")))
	require.Empty(t, problems)
	require.Equal(t, want, got)

	wrong := strings.Replace(text, `each = "7"`, `each = "a lot"`, 1)
	_, problems = ReadSite([]byte(strings.ReplaceAll(wrong, "\n", "\r\n")))
	require.Len(t, problems, 1)
	require.Equal(t, lineWith(t, wrong, "a lot"), problems[0].Line)
}

func TestWrongFileIsSaidAtOnce(t *testing.T) {
	for text, say := range map[string]string{
		strings.Repeat("sensor,at,celsius\n", 400_000):     "Is it the right file?",
		"sensor,at,celsius\nT1,2025-10-13T00:00:00Z,4.1\n": "this is not TOML",
		"\x00\xff\xfe": "this is not TOML",
	} {
		_, problems := ReadSite([]byte(text))
		require.Len(t, problems, 1)
		require.Contains(t, problems[0].Say, say)
		require.Equal(t, 1, problems[0].Line)
	}
	_, problems := ReadSite(nil)
	require.True(t, Blocked(problems))
}

func TestDemoSitePrintsAndReadsBack(t *testing.T) {
	s, problems := ReadSite([]byte(readFile(t, demoSite)))
	require.Empty(t, problems)
	printed := WriteSite(s)
	golden(t, "quillmere.golden.toml", string(printed))
	again, problems := ReadSite(printed)
	require.Empty(t, problems)
	require.Equal(t, s, again)
}

// A probe of which one value is no surprise, and one that is looked at sooner, are read and printed as they are meant.
func TestStuckAfter(t *testing.T) {
	text := readFile(t, testdata, "small.toml")
	for word, want := range map[string]time.Duration{"never": 0, "2 h": 2 * time.Hour} {
		s, problems := ReadSite([]byte(strings.Replace(text, `interval = "5 min"`, "interval = \"5 min\"\nstuck_after = \""+word+"\"", 1)))
		require.Empty(t, problems)
		require.Equal(t, want, s.Sensors[0].StuckAfter)
		require.Contains(t, string(WriteSite(s)), `stuck_after = "`+word+`"`)
	}
}

func TestPrintedVersionsAndDraftsAreCommentsOnly(t *testing.T) {
	s, _ := ReadSite([]byte(readFile(t, testdata, "small.toml")))
	stored := s
	stored.ID, stored.Version = 7, 3
	stored.Products = []stock.Product{s.Products[0]}
	stored.Products[0].Version, stored.Products[0].DraftBecause = 2, "it lacks\nan approval"
	printed := WriteSite(stored)
	require.Contains(t, string(printed), "# version 2, A DRAFT, no batch can be made from it: it lacks an approval\n[[products]]")
	again, problems := ReadSite(printed)
	require.Empty(t, problems)
	require.Equal(t, s, again)
}

// The law: whatever a site holds, printing it and reading it back gives the same site. Checks of what belongs together
// are left aside, so that the generator need not make sense.
func TestAnySiteReadsBackAsPrinted(t *testing.T) {
	zones := []string{"UTC", "America/New_York", "Europe/Berlin", "America/Santiago", "Pacific/Apia", "Asia/Kathmandu", "Africa/Monrovia"}
	rapid.Check(t, func(r *rapid.T) {
		zone, err := time.LoadLocation(rapid.SampledFrom(zones).Draw(r, "zone"))
		if err != nil {
			r.Fatal(err)
		}
		g := siteGen{r, zone}
		s := g.site()
		printed := WriteSite(s)
		again, d := readSite(printed)
		require.Empty(r, d.problems, "%s", printed)
		require.Equal(r, s, again, "%s", printed)
	})
}

type siteGen struct {
	*rapid.T
	zone *time.Location
}

// word is any text without blanks at its ends: quotes, backslashes, brackets, control characters, other scripts.
func (g siteGen) word() string {
	return rapid.StringMatching("[a-zA-Z0-9\"'\\\\#\\[\\]{}=°→é]([a-z\"'\\\\\t\n\x00 ]{0,4}[a-z\"'\\\\])?").Draw(g.T, "word")
}
func (g siteGen) maybe() string {
	if g.flag() {
		return ""
	}
	return g.word()
}
func (g siteGen) flag() bool         { return rapid.Bool().Draw(g.T, "flag") }
func (g siteGen) n(from, to int) int { return rapid.IntRange(from, to).Draw(g.T, "n") }
func (g siteGen) wait() time.Duration {
	return time.Duration(g.n(1, 1_000_000)) * time.Second
}

// instant is a day's start or any microsecond; now and then in a year when offsets had seconds.
func (g siteGen) instant() time.Time {
	if g.flag() {
		return walltime.StartOfDay(g.n(1999, 2039), time.Month(g.n(1, 12)), g.n(1, 31), g.zone)
	}
	return time.UnixMicro(rapid.Int64Range(-3_000_000_000_000_000, 2_000_000_000_000_000).Draw(g.T, "micros")).UTC()
}
func (g siteGen) maybeInstant() time.Time {
	if g.flag() {
		return time.Time{}
	}
	return g.instant()
}
func (g siteGen) class() stock.Storage {
	return rapid.SampledFrom([]stock.Storage{stock.Room, stock.Refrigerator, stock.Freezer}).Draw(g.T, "class")
}
func (g siteGen) decimal() string { return stock.SayMilli(int64(g.n(0, 1_000_000))) }
func (g siteGen) milliC() int32   { return int32(g.n(-300_000, 300_000)) }

func several[T any](g siteGen, from int, one func() T) []T {
	var out []T
	for range g.n(from, 3) {
		out = append(out, one())
	}
	return out
}

func (g siteGen) rule(general bool) stock.AlarmRule {
	r := stock.AlarmRule{
		Kind: rapid.SampledFrom([]string{"warm", "cold", "freeze"}).Draw(g.T, "kind"), LimitMilliC: g.milliC(), Delay: g.wait(), Window: g.wait(),
		ClearAfter: g.wait(), Severity: g.word(), Hold: g.flag(), PageWhenOpen: g.flag(), Source: g.word(), Tag: g.maybe(), ConfirmedBy: g.maybe(),
	}
	if g.flag() {
		r.Kind, r.LimitMilliC = "no_data", 0
	}
	if general {
		r.ForClass = g.class()
	}
	return r
}

func (g siteGen) product() stock.Product {
	p := stock.Product{
		Code: g.word(), Name: g.word(), Amount: stock.Micrograms(g.n(1, 1e9)), Volume: stock.Microlitres(g.n(0, 1e9)), Container: g.word(),
		ContainerL: stock.Microlitres(g.n(0, 1e9)), GTIN: g.maybe(), Route: g.maybe(), Category: g.word(), Method: g.maybe(), Tested: g.flag(),
		Nonsterile: g.flag(), Storage: g.class(), CapHours: g.n(0, 500), BenchMinutes: g.n(0, 500), FreezeMilliC: g.milliC(), Light: g.flag(),
		Hazardous: g.flag(), FreezeSensitive: g.flag(), HighAlert: g.flag(), Warning: g.maybe(), Disposal: g.word(), TwoPersons: g.flag(),
		ApprovedBy: g.maybe(), AllowedOutSource: g.maybe(), Sharps: g.maybe(), Tolerance: int64(g.n(0, 100_000)),
		Loss: stock.Loss{PerSource: stock.Microlitres(g.n(0, 1e6)), PerVial: stock.Microlitres(g.n(0, 1e6)), Pool: stock.Microlitres(g.n(0, 1e6))},
		Stability: several(g, 1, func() stock.StabilityRow {
			return stock.StabilityRow{
				Diluent: g.word(), FromMgPerML: g.decimal(), ToMgPerML: g.decimal(), Storage: g.class(), Minutes: g.n(0, 100_000), Source: g.word(),
				Tag: g.maybe(), ConfirmedBy: g.maybe(),
			}
		}),
		Components: several(g, 1, func() stock.ComponentUse {
			c := stock.ComponentUse{
				Name: g.word(), Powder: g.flag(), Diluent: g.flag(), Container: g.flag(), Optional: g.flag(), PerVial: stock.Micrograms(g.n(0, 1e9)),
				Dissolve: stock.Microlitres(g.n(0, 1e9)), Opened: g.maybe(),
			}
			if g.flag() {
				c.LabelLine = &stock.LabelLine{
					Diluent: stock.Microlitres(g.n(0, 1e9)), UgPerML: stock.Micrograms(g.n(0, 1e9)), VolumeUL: stock.Microlitres(g.n(0, 1e9)), Source: g.word(),
				}
			}
			return c
		}),
		Costs: several(g, 0, func() stock.Cost { return stock.Cost{From: g.instant(), Cents: int64(g.n(0, 1e9))} }),
	}
	if g.flag() {
		p.AmountUnit = "units"
	}
	if g.flag() {
		n := g.n(0, 1000)
		p.AllowedOutMinutes = &n
	}
	return p
}

func (g siteGen) unit() stock.Unit {
	u := stock.Unit{
		Code: g.word(), Name: g.maybe(), Class: g.class(), HazardousOnly: g.flag(), MoveTo: several(g, 0, g.word), Capacity: g.n(0, 1000),
		Rules: several(g, 0, func() stock.AlarmRule { return g.rule(false) }),
	}
	for i := range g.n(1, 4) {
		u.Shelves = append(u.Shelves, stock.Shelf{Code: string(rune('A' + i)), ColdSpot: g.flag()})
	}
	if g.flag() {
		worst := g.milliC()
		u.WorstMilliC = &worst
	}
	return u
}

func (g siteGen) sensor() stock.Sensor {
	return stock.Sensor{
		Code: g.word(), InLiquid: g.flag(), Interval: g.wait(), DeliversEvery: g.wait(), MaxGap: g.wait(), SilentAfterMins: g.n(1, 10_000),
		Assignments: several(g, 0, func() stock.Assignment {
			return stock.Assignment{Unit: g.word(), Shelves: several(g, 0, g.word), From: g.instant(), To: g.maybeInstant()}
		}),
		Calibrations: several(g, 0, func() stock.Calibration {
			return stock.Calibration{
				Certificate: g.word(), From: g.instant(), To: g.maybeInstant(), Due: g.instant(), OffsetMilliC: g.milliC(), UncertaintyMilliC: int32(g.n(0, 5000)),
			}
		}),
	}
}

func (g siteGen) site() stock.Site {
	days := func() []string { return several(g, 1, g.word) }
	return stock.Site{
		Code: g.word(), Name: g.word(), Zone: g.zone.String(), Unit: g.word(), Currency: g.maybe(), ConfirmMinutes: g.n(0, 9999), RemindMinutes: g.n(0, 9999),
		LateEntryHours: g.n(0, 999), HideProducts: g.flag(), WarmLimitFromStart: g.flag(), TallMan: several(g, 0, g.word),
		Syringes: several(g, 0, func() stock.Microlitres { return stock.Microlitres(g.n(0, 100_000)) }), Competencies: g.maybe(),
		Staffed: several(g, 1, func() stock.Hours { return stock.Hours{Days: days(), From: g.word(), To: g.word()} }),
		Sweeps:  several(g, 1, func() stock.Slot { return stock.Slot{Days: days(), At: g.word()} }),
		Rooms: several(g, 1, func() stock.RoomPlace {
			return stock.RoomPlace{Code: g.word(), Name: g.maybe(), Units: several(g, 0, g.unit)}
		}),
		Areas: several(g, 0, func() stock.Area {
			return stock.Area{Code: g.word(), Name: g.maybe(), Statuses: several(g, 1, func() stock.AreaStatus {
				return stock.AreaStatus{From: g.instant(), Category: rapid.SampledFrom([]string{"", "1", "2", "3"}).Draw(g.T, "category"), Reason: g.maybe()}
			})}
		}),
		Sensors: several(g, 0, g.sensor), Products: several(g, 0, g.product),
		People: several(g, 1, func() stock.Person {
			return stock.Person{
				Code: g.word(), Name: g.maybe(), Mail: g.maybe(), Roles: several(g, 1, g.word), Left: g.maybeInstant(),
				Competencies: several(g, 0, func() stock.Competency {
					return stock.Competency{What: g.word(), AssessedBy: g.word(), From: g.instant(), Until: g.instant(), Note: g.maybe()}
				}),
			}
		}),
		Routes: several(g, 1, func() stock.Route {
			return stock.Route{Kinds: several(g, 1, g.word), Severities: several(g, 0, g.word), Units: several(g, 0, g.word), To: several(g, 1, g.word)}
		}),
		Destinations: several(g, 0, func() stock.Dest { return stock.Dest{Code: g.word(), Name: g.maybe(), MarginMinutes: g.n(0, 999)} }),
		Limits: several(g, 0, func() stock.LimitCell {
			return stock.LimitCell{
				Category: g.word(), Method: g.maybe(), Tested: g.flag(), Nonsterile: g.flag(), Storage: g.class(), Hours: g.n(0, 999), Days: g.n(0, 999),
				Source: g.word(), Tag: g.maybe(), ConfirmedBy: g.maybe(),
			}
		}),
		Rules:   several(g, 0, func() stock.AlarmRule { return g.rule(true) }),
		Reasons: several(g, 0, func() stock.WasteCause { return stock.WasteCause{Code: g.word(), Words: g.word(), Class: g.word()} }),
		Labels: several(g, 0, func() stock.LabelSize {
			size := func() stock.Micrometres { return stock.Micrometres(g.n(1, 99_999)) }
			return stock.LabelSize{
				Code: g.word(), Name: g.maybe(), Width: size(), Height: size(), Margin: size(), Symbol: size(), NameType: int64(g.n(1, 99_999)),
				Type: int64(g.n(1, 99_999)), CodeType: int64(g.n(1, 99_999)), Overwrap: g.flag(),
			}
		}),
	}
}

// Nothing a file holds may stop the reader, every line it shows exists, and what it accepts prints and reads back.
func FuzzReadSite(f *testing.F) {
	for _, path := range []string{filepath.Join(testdata, "small.toml"), filepath.Join(testdata, "quillmere.golden.toml"), demoSite} {
		f.Add([]byte(readFile(f, path)))
	}
	f.Add([]byte("[[rooms]]\n[[rooms.units]]\nshelves = [\n\"A\", # x\n'B']\n[rooms.units.rules]\na.b.\"c d\" = {x = '''y\n''', z=[[1],[2]]}"))
	f.Fuzz(func(t *testing.T, text []byte) {
		s, problems := ReadSite(text)
		for _, p := range problems {
			require.GreaterOrEqual(t, p.Line, 1)
			require.LessOrEqual(t, p.Line, 1+strings.Count(string(text), "\n"), p.String())
			require.NotEmpty(t, p.Say)
		}
		if Blocked(problems) {
			return
		}
		again, more := ReadSite(WriteSite(s))
		require.False(t, Blocked(more), "%v", more)
		require.Equal(t, s, again)
	})
}
