package config

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/tracker/stock"
)

const testdata = "../../../../testdata/site"

func readFile(t testing.TB, parts ...string) string {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(parts...))
	require.NoError(t, err)
	return string(text)
}

// lineWith is the number of the first line that contains a text, found without the code under test.
func lineWith(t *testing.T, text, part string) int {
	t.Helper()
	before, _, found := strings.Cut(text, part)
	require.True(t, found, "the document has no %q", part)
	return 1 + strings.Count(before, "\n")
}

func TestSmallSiteReadsWithoutAWord(t *testing.T) {
	s, problems := ReadSite([]byte(readFile(t, testdata, "small.toml")))
	require.Empty(t, problems)
	berlin, err := time.LoadLocation("Europe/Berlin")
	require.NoError(t, err)

	require.Equal(t, time.Date(2025, 2, 1, 5, 0, 0, 0, time.UTC), s.Areas[0].Statuses[1].From, "06:00 in Berlin's winter")
	require.Empty(t, s.Areas[0].Statuses[1].Category)
	due := s.Sensors[0].Calibrations[0].Due
	require.Equal(t, "2025-07-01 00:00", due.In(berlin).Format("2006-01-02 15:04"), "good through the whole last day")
	require.Equal(t, int32(-100), s.Sensors[0].Calibrations[1].OffsetMilliC)
	require.Equal(t, int32(-500), s.Rules[2].LimitMilliC)
	require.Equal(t, 5*time.Minute, s.Sensors[0].DeliversEvery, "left out: the interval")
	require.Equal(t, 15, s.Sensors[0].SilentAfterMins, "left out: three deliveries")
	require.Equal(t, 30*time.Minute, s.Sensors[0].MaxGap)
	require.Equal(t, 24*time.Hour, s.Sensors[0].StuckAfter, "left out: a day")
	p := s.Products[0]
	require.Equal(t, stock.Micrograms(40_000), p.Amount)
	require.Equal(t, stock.Microlitres(10_000), p.Volume)
	require.Equal(t, "pantoprazole 40 mg / 10 mL (4 mg/mL)", p.FullName())
	require.Equal(t, 60, *p.AllowedOutMinutes)
	require.Equal(t, stock.Micrograms(4000), p.Components[0].LabelLine.UgPerML)
	require.Equal(t, []int64{685, 700}, []int64{p.Costs[0].Cents, p.Costs[1].Cents})
}

// Each case makes one mistake in testdata/site/small.toml. The mistake is shown at the line that holds the text at,
// in words that contain say; nothing else is wrong.
var mistakes = map[string]struct {
	old, new string
	at, say  string
	warning  bool
}{
	"unknown key":                {`shelves = ["A", "B"]`, `shelfs = ["A", "B"]` + "\n" + `shelves = ["A", "B"]`, `shelfs`, `did you mean "shelves"`, false},
	"unknown key, no guess":      {`currency = "EUR"`, `colour_of_the_door = "red"`, `colour_of`, `take it out`, false},
	"unknown table":              {"[[destinations]]", "[[destination]]", "[[destination]]", `did you mean "destinations"`, false},
	"unknown key in a row":       {`storage = "room", stable_for`, `celsius = "8", storage = "room", stable_for`, `celsius = "8", storage`, `there is no key "celsius"`, false},
	"missing key":                {"bench = \"30 min\"\n", "", "[[products]]", "bench is missing", false},
	"missing tables":             {"[[products.components]]\nname = \"pantoprazole, powder\"\npowder = true\nper_source_vial = \"40 mg\"\nlabel_line = { diluent = \"10 mL\", concentration = \"4 mg/mL\", volume = \"10 mL\", source = \"invented label\" }\n\n[[products.components]]\nname = \"water\"\ndiluent = true\n", "", "[[products]]", "at least one [[products.components]]", false},
	"empty list":                 {`roles = ["technician"]`, `roles = []`, `roles = []`, "roles is empty", false},
	"empty key":                  {`disposal = "black box"`, `disposal = " "`, "disposal", "blank", false},
	"wrong type":                 {`hazardous_only = true`, `hazardous_only = "yes"`, "hazardous_only", "true or false", false},
	"list for a text":            {`move_to = ["K2"]`, `move_to = "K2"`, "move_to", "a list", false},
	"a float is not exact":       {`limit_celsius = "-0.5"`, `limit_celsius = -0.5`, "limit_celsius = -0.5", "in quotes", false},
	"not TOML":                   {`unit = "Cel"`, `unit = Cel`, "unit = Cel", "not TOML", false},
	"key twice":                  {`unit = "Cel"`, "unit = \"Cel\"\nunit = \"[degF]\"", `unit = "[degF]"`, "not TOML", false},
	"site code":                  {`code = "SMALL"`, `code = "small one"`, `code = "small one"`, "capital letters", false},
	"zone":                       {"Europe/Berlin", "Europe/Berlln", "zone", "no time zone", false},
	"zone Local":                 {"Europe/Berlin", "Local", "zone", "no time zone", false},
	"unit":                       {`unit = "Cel"`, `unit = "C"`, `unit = "C"`, `"[degF]"`, false},
	"sweep time":                 {`at = "07:00"`, `at = "7:00"`, `at = "7:00"`, "HH:MM", false},
	"sweep time past midnight":   {`at = "07:00"`, `at = "24:00"`, `at = "24:00"`, "HH:MM", false},
	"sweep twice":                {"[[people]]\ncode = \"tech-1\"", "[[sweeps]]\ndays = [\"Tue\"]\nat = \"07:00\" # again\n\n[[people]]\ncode = \"tech-1\"", "# again", "there twice", false},
	"sweep nobody makes":         {`at = "07:00"`, `at = "05:00"`, `at = "05:00"`, "nobody is there on Mon", true},
	"day":                        {"days = [\"Mon\", \"Tue\"]\nfrom", "days = [\"Mon\", \"Dienstag\", \"Tue\"]\nfrom", "Dienstag", "not a day", false},
	"hours past midnight":        {`to = "20:00"`, `to = "05:00"`, `to = "05:00"`, "two spans", false},
	"role":                       {`roles = ["technician"]`, `roles = ["chemist"]`, `chemist`, "not one of", false},
	"mail":                       {"tech-1@small.example", "tech-1 at small", "tech-1 at small", "name@domain", false},
	"competency":                 {`what = "aseptic"`, `what = "asceptic"`, `what = "asceptic"`, "not one of", false},
	"competency by themself":     {`assessed_by = "rph-1"`, `assessed_by = "tech-1"`, `assessed_by = "tech-1"`, "nobody assesses themself", false},
	"competency by nobody":       {"assessed_by = \"rph-1\"\n", "", "[[people.competencies]]", "assessed_by is missing", false},
	"competency over at once":    {"from = \"2025-01-01\"\nuntil = \"2026-12-31\"", "from = \"2025-01-01\"\nuntil = \"2024-12-31\"", `until = "2024-12-31"`, "after it begins", false},
	"competencies how":           {`currency = "EUR"`, `competencies = "never"`, `competencies = "never"`, "not one of", false},
	"competency nobody has":      {`what = "verifying"`, `what = "sweeping"`, "[[people]]", "competency verifying", true},
	"route to somebody who left": {"mail = \"rph-1@small.example\"\n", "mail = \"rph-1@small.example\"\nleft = \"2026-06-01\"\n", `to = ["rph-1"]`, "leaving", true},
	"two people, one code":       {`code = "night"`, `code = "rph-1"`, "code = \"rph-1\"\nroles", "already", false},
	"person called vialward":     {`code = "night"`, `code = "vialward"`, `code = "vialward"`, "choose another", false},
	"route to nobody":            {`to = ["rph-1"]`, `to = ["rph-1", "rph-9"]`, "rph-9", "neither a person", false},
	"route to no address":        {`to = ["rph-1"]`, `to = ["rph-1", "night"]`, `"night"]`, "no mail address", false},
	"route of no kind":           {`kinds = ["all"]`, `kinds = ["all", "hot"]`, `"hot"`, "no kind of mail", false},
	"kind nobody gets":           {`kinds = ["all"]`, `kinds = ["warm"]`, "[[routes]]", `"freezing"`, false},
	"unit class":                 {"code = \"K1\"\nclass = \"refrigerator\"", "code = \"K1\"\nclass = \"fridge\"", `"fridge"`, "storage class", false},
	"two units, one code":        {`code = "K3"`, `code = "K2"`, "code = \"K2\"\nclass = \"refrigerator\"\nhazardous_only", "already", false},
	"shelf twice":                {`shelves = ["A", "B"]`, `shelves = ["A", "A"]`, `["A", "A"]`, "two shelves A", false},
	"cold spot":                  {`move_to = ["K2"]`, `move_to = ["K2"]` + "\n" + `cold_spots = ["Z"]`, "cold_spots", `no shelf "Z"`, false},
	"move to nowhere":            {`move_to = ["K2"]`, `move_to = ["K9"]`, "K9", "no storage unit", false},
	"move to itself":             {`move_to = ["K2"]`, `move_to = ["K1"]`, "move_to", "itself", false},
	"move hazards together":      {`move_to = ["K2"]`, `move_to = ["K3"]`, "move_to", "kept apart", false},
	"area category":              {`category = "none"`, `category = "4"`, `category = "4"`, "1, 2, 3 or none", false},
	"area out of order":          {`from = "2025-02-01 06:00"`, `from = "2024-02-01 06:00"`, "2024-02-01", "in order", false},
	"time that does not exist":   {"2025-02-01 06:00", "2025-03-30 02:30", "2025-03-30 02:30", "does not exist", false},
	"time that comes twice":      {"2025-02-01 06:00", "2025-10-26 02:30", "2025-10-26 02:30", "2025-10-26T02:30:00+02:00", false},
	"no time":                    {"2025-02-01 06:00", "1 Feb 2025", "1 Feb 2025", "not a time", false},
	"rule kind":                  {`kind = "no_data"`, `kind = "hot"`, `kind = "hot"`, "", false},
	"rule without source":        {"source = \"site policy (invented), warm\"\n", "", "[[rules]]\nkind = \"warm\"", "source is missing", false},
	"rule to be confirmed":       {`source = "site policy (invented), warm"`, "source = \"site policy (invented), warm\"\ntag = \"M\"", "[[rules]]\nkind = \"warm\"", "a pharmacist of this site has to confirm", false},
	"confirmed by no pharmacist": {`source = "site policy (invented), warm"`, "source = \"site policy (invented), warm\"\ntag = \"M\"\nconfirmed_by = \"tech-1\"", `confirmed_by = "tech-1"`, "not a pharmacist", false},
	"unknown tag":                {`source = "site policy (invented), warm"`, "source = \"site policy (invented), warm\"\ntag = \"Q\"", `tag = "Q"`, "not one of", false},
	"freeze above cold":          {`limit_celsius = "-0.5"`, `limit_celsius = "2.001"`, "[[rooms.units]]\ncode = \"K2\"", "freeze limit 2.001 °C is above the cold limit 2 °C", false},
	"freeze with a delay":        {`limit_celsius = "-0.5"`, "limit_celsius = \"-0.5\"\ndelay = \"5 min\"", `delay = "5 min"`, "no delay", false},
	"cold above warm":            {"class = \"refrigerator\"\nlimit_celsius = \"8\"", "class = \"refrigerator\"\nlimit_celsius = \"2\"", "[[rooms.units]]\ncode = \"K2\"", "is not below the warm limit", false},
	"delay below interval":       {`delay = "10 min"`, `delay = "2 min"`, "[[rooms.units.rules]]", "shorter than the interval of S1", true},
	"silence below delivery":     {`delay = "40 min"`, `delay = "15 min"`, "[[rooms.units]]\ncode = \"K2\"", "make it longer", false},
	"no rule for warm":           {"[[rules]]\nkind = \"warm\"\nclass = \"refrigerator\"", "[[rules]]\nkind = \"warm\"\nclass = \"room\"", "[[rooms.units]]\ncode = \"K2\"", `no rule for "warm"`, false},
	"rule twice":                 {`source = "site policy (invented), unit"`, "source = \"site policy (invented), unit\"\n\n[[rooms.units.rules]]\nkind = \"cold\" # again\nlimit_celsius = \"1\"\ndelay = \"10 min\"\nseverity = \"high\"\nsource = \"x\"", "# again", "already", false},
	"silence with a limit":       {`delay = "40 min"`, "delay = \"40 min\"\nlimit_celsius = \"4\"", `limit_celsius = "4"`, "has no limit", false},
	"not a temperature":          {`limit_celsius = "-0.5"`, `limit_celsius = "31 °F"`, "31 °F", "degrees Celsius", false},
	"too many places":            {`limit_celsius = "-0.5"`, `limit_celsius = "-0.5005"`, "-0.5005", "degrees Celsius", false},
	"medium":                     {`medium = "air"`, `medium = "glycol"`, "glycol", `write "liquid"`, false},
	"interval":                   {"medium = \"air\"\ninterval = \"5 min\"", "medium = \"air\"\ninterval = \"5min\"", `"5min"`, `"15 min"`, false},
	"assigned to nothing":        {"unit = \"K1\"\nfrom", "unit = \"K8\"\nfrom", `"K8"`, "no storage unit", false},
	"speaks for no shelf":        {"shelves = [\"A\"]\nfrom", "shelves = [\"A\", \"C\"]\nfrom", `["A", "C"]`, `no shelf "C"`, false},
	"assignments overlap":        {`to = "2025-03-01"`, `to = "2025-03-02"`, "from = \"2025-03-01\"", "two places", false},
	"assignment ends first":      {`to = "2025-03-01"`, `to = "2024-12-31"`, `to = "2024-12-31"`, "is not after", false},
	"calibrations overlap":       {`to = "2025-06-01"`, `to = "2025-06-02"`, "from = \"2025-06-01\"\ndue", "two certificates", false},
	"due before it counts":       {`due = "2025-06-30"`, `due = "2024-06-30"`, "2024-06-30", "due after", false},
	"stuck at once":              {`interval = "5 min"`, "interval = \"5 min\"\nstuck_after = \"55 min\"", `stuck_after = "55 min"`, "one value 12 times in a row", false},
	"stuck when":                 {`interval = "5 min"`, "interval = \"5 min\"\nstuck_after = \"often\"", `stuck_after = "often"`, "not a length of time", false},
	"no calibration":             {"[[sensors.calibrations]]\ncertificate = \"C-4\"\nfrom = \"2025-01-01\"\ndue = \"2026-01-31\"\nuncertainty_celsius = \"0.3\"\n", "", "[[sensors]]\ncode = \"S3\"", "no calibration certificate", true},
	"delay before silence":       {`interval = "5 min"`, "interval = \"5 min\"\nsilent_after = \"2 h\"", "[[rooms.units.rules]]", "counts as silent only after 2h0m0s", true},
	"unwatched unit":             {"unit = \"K3\"\nfrom = \"2025-01-01\"", "unit = \"K2\"\nfrom = \"2025-01-01\"", "[[rooms.units]]\ncode = \"K3\"", "no sensor is assigned", true},
	"limit of two kinds":         {"days = 10", "days = 10\nhours = 240", "[[limits]]", "exactly one of hours and days", false},
	"limit above the chapter's":  {"days = 10", "days = 11", "[[limits]]", "may only shorten", false},
	"limit nobody signed off":    {"tag = \"confirm\"\nconfirmed_by = \"rph-1\"\n", "", "[[limits]]", "signed this limit off", false},
	"product without a cell":     {"category = \"2\"\nmethod = \"aseptic\"\nstorage = \"refrigerator\"\nallowed", "category = \"3\" # untested\nmethod = \"aseptic\"\nstorage = \"refrigerator\"\nallowed", "# untested", "no limit for Category 3", false},
	"tall-man form":              {`currency = "EUR"`, "tall_man = [\"PANTOprazole\"]", `name = "pantoprazole"`, "writes PANTOprazole", false},
	"amount":                     {`amount = "40 mg"`, `amount = "40mg"`, `"40mg"`, `"40 mg"`, false},
	"amount of nothing":          {`amount = "40 mg"`, `amount = "0 mg"`, `"0 mg"`, "above 0", false},
	"volume":                     {"volume = \"10 mL\"\ncontainer", "volume = \"10 ml\"\ncontainer", `"10 ml"`, `"10 mL"`, false},
	"container too small":        {`container_volume = "20 mL"`, `container_volume = "9.9 mL"`, "9.9 mL", "does not hold", false},
	"category":                   {"category = \"2\"\nmethod = \"aseptic\"\nstorage = \"refrigerator\"\nallowed", "category = \"4\"\nmethod = \"aseptic\"\nstorage = \"refrigerator\"\nallowed", `category = "4"`, "not one of", false},
	"method":                     {"method = \"aseptic\"\nstorage = \"refrigerator\"\nallowed", "method = \"clean\"\nstorage = \"refrigerator\"\nallowed", "clean", "terminal", false},
	"no stability for storage":   {`storage = "refrigerator", stable_for`, `storage = "freezer", stable_for`, "stability = [", "no beyond-use date", false},
	"concentration not covered":  {`{ diluent = "water", storage`, `{ diluent = "water", from_mg_per_ml = "4.001", storage`, "stability = [", "no beyond-use date", false},
	"hours rise when warmer":     {`stable_for = "12 h"`, `stable_for = "97 h"`, "97 h", "longer in room", false},
	"product without source":     {`, source = "invented, cold row"`, "", `{ diluent = "water", storage`, "source is missing", false},
	"row twice":                  {`storage = "room", stable_for`, `storage = "refrigerator", stable_for`, "from_mg_per_ml", "already", false},
	"not whole minutes":          {`bench = "30 min"`, `bench = "90 s"`, `"90 s"`, "whole number of minutes", false},
	"allowance without source":   {"allowed_out_source = \"invented\"\n", "", "allowed_out =", "there is no default", false},
	"source without allowance":   {"allowed_out = \"60 min\"\n", "", "[[products]]", "there is no default", false},
	"approved by a technician":   {`approved_by = "rph-1"`, `approved_by = "tech-1"`, `approved_by = "tech-1"`, "not a pharmacist", false},
	"approved by a stranger":     {`approved_by = "rph-1"`, `approved_by = "rph-7"`, "rph-7", "nobody of this site", false},
	"check digit":                {`disposal = "black box"`, "disposal = \"black box\"\ngtin = \"09506000134353\"", "gtin", "check digit", false},
	"price":                      {`each = "7"`, `each = "7.125"`, "7.125", "two places", false},
	"costs out of order":         {`from = "2025-06-01", each`, `from = "2024-06-01", each`, "costs = [", "in order", false},
	"a component twice":          {"name = \"water\"\ndiluent = true\n", "name = \"water\"\ndiluent = true\n\n[[products.components]]\nname = \"WA TER\"\n", "WA TER", "there already", false},
	"two kinds of component":     {"name = \"water\"\ndiluent = true\n", "name = \"water\"\ndiluent = true\ncontainer = true # as well\n", "[[products.components]]\nname = \"water\"", "one of them", false},
	"a powder and no diluent":    {"name = \"water\"\ndiluent = true\n", "name = \"water\"\n", "[[products.components]]", "dissolved in something", false},
	"a diluent by another name":  {`{ diluent = "water", from`, `{ diluent = "saline", from`, "saline", "write it as there: water", false},
	"a drug one may leave out":   {"per_source_vial = \"40 mg\"\n", "per_source_vial = \"40 mg\"\noptional = true # ?\n", "optional = true", "cannot be left out", false},
	"a volume beside a line":     {"per_source_vial = \"40 mg\"\n", "per_source_vial = \"40 mg\"\ndissolve_in = \"9 mL\"\n", "dissolve_in", "a volume of its own, 10 mL", false},
	"what is no powder":          {"name = \"water\"\ndiluent = true\n", "name = \"water\"\ndiluent = true\ndissolve_in = \"9 mL\"\n", "dissolve_in", "only a powder", false},
	"tolerance":                  {`disposal = "black box"`, "disposal = \"black box\"\ntolerance_percent = \"101\"", "tolerance_percent", "from 0 to 100", false},
	"powder of no amount":        {"per_source_vial = \"40 mg\"\n", "", "[[products.components]]", "one source vial", false},
	"label line of nobody":       {`, source = "invented label"`, "", "label_line", "source is missing", false},
	"margin":                     {`margin = "30 min"`, `margin = "half an hour"`, "half an hour", "not a length of time", false},
	"far too long":               {`margin = "30 min"`, `margin = "6000001 min"`, "6000001", "not a length of time", false},
	"cause":                      {`class = "avoidable"`, `class = "bad luck"`, "bad luck", "held for readiness", false},
}

func TestEachMistakeIsShownAtItsLine(t *testing.T) {
	text := readFile(t, testdata, "small.toml")
	for name, m := range mistakes {
		t.Run(name, func(t *testing.T) {
			require.Equal(t, 1, min(1, strings.Count(text, m.old)), "nothing to replace")
			wrong := strings.Replace(text, m.old, m.new, 1)
			_, problems := ReadSite([]byte(wrong))
			line, found := lineWith(t, wrong, m.at), false
			for _, p := range problems {
				found = found || p.Line == line && p.Warning == m.warning && strings.Contains(p.Say, m.say)
			}
			require.True(t, found, "line %d, %q; found %v", line, m.say, problems)
			require.Equal(t, !m.warning, Blocked(problems), "%v", problems)
		})
	}
}
