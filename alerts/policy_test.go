package alerts_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"vialward/alerts"
	"vialward/tracker/stock"
)

func quillmere() *stock.Site {
	return &stock.Site{
		ID: 1, Code: "quillmere", RemindMinutes: 60,
		Rooms: []stock.RoomPlace{{Code: "Q-110", Units: []stock.Unit{{Code: "R1"}, {Code: "R2"}}}},
		People: []stock.Person{
			{Code: "oncall-1", Mail: "oncall-1@pharmacy.example"}, {Code: "rph-1", Mail: "rph-1@pharmacy.example"},
			{Code: "tech-1", Mail: "tech-1@pharmacy.example"}, {Code: "adm-1", Mail: "adm-1@pharmacy.example"}, {Code: "mgr-1"},
		},
		Routes: []stock.Route{
			{Kinds: []string{"all"}, Severities: []string{"high"}, To: []string{"oncall-1", "rph-1"}},
			{Kinds: []string{"all"}, Severities: []string{"medium"}, To: []string{"rph-1", "adm-1"}},
			{Kinds: []string{"sweep_list", "nothing_to_pull", "late_data"}, To: []string{"tech-1", "RPH-1@pharmacy.example"}},
			{Kinds: []string{"path_test"}, To: []string{"adm-1"}},
			{Kinds: []string{"warm"}, Units: []string{"R2"}, To: []string{"tech-1"}},
		},
	}
}

func to(rows []alerts.Row) []string {
	out := make([]string, len(rows))
	for i, r := range rows {
		out[i] = r.To
	}
	return out
}

func TestWhoIsTold(t *testing.T) {
	p, wrong := alerts.NewPolicy(quillmere(), "pharmacy.example")
	require.Empty(t, wrong)
	for _, c := range []struct {
		notice alerts.Notice
		want   []string
	}{
		{alerts.Notice{Mail: alerts.Mail{Kind: alerts.Warm}, Unit: "R1"}, []string{"oncall-1@pharmacy.example", "rph-1@pharmacy.example"}},
		{alerts.Notice{Mail: alerts.Mail{Kind: alerts.Warm}, Unit: "R2"}, []string{"oncall-1@pharmacy.example", "rph-1@pharmacy.example", "tech-1@pharmacy.example"}},
		{alerts.Notice{Mail: alerts.Mail{Kind: alerts.Warm}, Unit: "R1", Severity: alerts.Medium}, []string{"rph-1@pharmacy.example", "adm-1@pharmacy.example"}},
		{alerts.Notice{Mail: alerts.Mail{Kind: alerts.SweepList}}, []string{"tech-1@pharmacy.example", "RPH-1@pharmacy.example"}},
		{alerts.Notice{Mail: alerts.Mail{Kind: alerts.QueueStuck}}, []string{"rph-1@pharmacy.example", "adm-1@pharmacy.example"}},
		// nobody is down for it: better everybody than nobody, each once whatever the case of the address
		{alerts.Notice{Mail: alerts.Mail{Kind: alerts.Warm}, Unit: "R1", Severity: alerts.Low},
			[]string{"oncall-1@pharmacy.example", "rph-1@pharmacy.example", "adm-1@pharmacy.example", "tech-1@pharmacy.example"}},
		// planned work: no page, but its end and everything about other things still comes
		{alerts.Notice{Mail: alerts.Mail{Kind: alerts.Freezing}, Unit: "R1", Muted: true}, []string{}},
		{alerts.Notice{Mail: alerts.Mail{Kind: alerts.WorkEndedOut}, Unit: "R1", Muted: true}, []string{"oncall-1@pharmacy.example", "rph-1@pharmacy.example"}},
	} {
		require.Equal(t, c.want, to(p.Plan(c.notice)), "%+v", c.notice)
	}
}

// Whatever is planned twice is stored once, whatever differs is stored apart.
func TestOneRowARecipientAndOccasion(t *testing.T) {
	p, wrong := alerts.NewPolicy(quillmere(), "pharmacy.example")
	require.Empty(t, wrong)
	n := alerts.Notice{Mail: alerts.Mail{Kind: alerts.Warm, Subject: "s", Text: "t"}, Unit: "R1", About: "case/4", What: "opened",
		Thread: "case/4/1760509320", First: true, At: at(time.October, 15, 2, 40)}
	rows := p.Plan(n)
	require.Equal(t, "warm|case/4|step0/opened/0|oncall-1@pharmacy.example", rows[0].DedupeKey)
	require.Equal(t, rows, p.Plan(n))

	seen := map[string]bool{}
	for _, change := range []func(alerts.Notice) alerts.Notice{
		func(n alerts.Notice) alerts.Notice { return n },
		func(n alerts.Notice) alerts.Notice { n.Step = 1; return n },
		func(n alerts.Notice) alerts.Notice { n.What, n.N, n.First = "reminder", 1, false; return n },
		func(n alerts.Notice) alerts.Notice { n.What, n.N, n.First = "reminder", 2, false; return n },
		func(n alerts.Notice) alerts.Notice { n.About = "case/5"; return n },
	} {
		for _, r := range p.Plan(change(n)) {
			require.False(t, seen[r.DedupeKey], r.DedupeKey)
			seen[r.DedupeKey] = true
		}
	}
}

// RFC 5322, 3.6.4: what follows refers to the Message-ID of the first, for each recipient his own.
func TestAThreadHangsTogether(t *testing.T) {
	p, _ := alerts.NewPolicy(quillmere(), "pharmacy.example")
	n := alerts.Notice{Mail: alerts.Mail{Kind: alerts.Warm}, Unit: "R1", About: "case/4", What: "opened", Thread: warm().Thread(), First: true, At: at(time.October, 15, 2, 40)}
	opened := p.Plan(n)
	n.Mail.Kind, n.What, n.First, n.Severity = alerts.Recovered, "recovered", false, alerts.High
	recovered := p.Plan(n)
	require.Len(t, recovered, 2)
	for i := range opened {
		require.Equal(t, opened[i].MessageID, recovered[i].Root())
		require.NotEqual(t, opened[i].MessageID, recovered[i].MessageID)
	}
	require.NotEqual(t, opened[0].MessageID, opened[1].MessageID)
	require.Empty(t, alerts.Row{MessageID: "a@b"}.Root())
}

func TestMistakesInRoutesAreAllSaid(t *testing.T) {
	s := quillmere()
	s.Routes = append(s.Routes[:2], stock.Route{Kinds: []string{"warmth"}, Severities: []string{"dire"}, Units: []string{"R9"}, To: []string{"mgr-1", "nobody", "a b@c.example", "x@y\r\nBcc: z@z"}}, stock.Route{})
	_, wrong := alerts.NewPolicy(s, "pharmacy.example")
	var all string
	for _, e := range wrong {
		all += e.Error() + "\n"
	}
	for _, want := range []string{`route 3: "warmth" is no kind of mail`, `route 3: "dire" is no severity`, `route 3: the site has no unit "R9"`,
		"route 3: mgr-1 has no mail address", `route 3: "nobody" is neither a person`, `route 3: "a b@c.example" is not a mail address`,
		`route 3: "x@y\r\nBcc: z@z" is not a mail address`, "route 4: it names no kinds", "route 4: it goes to nobody", `nobody gets mails of kind "sweep_list"`} {
		require.Contains(t, all, want)
	}
}

// Reminders come by the clock since opening, and downtime leaves one due, not a flood.
func TestReminders(t *testing.T) {
	p := alerts.Policy{Reminder: time.Hour}
	opened := at(time.October, 15, 2, 40)
	require.Equal(t, 0, p.Remind(opened, opened.Add(59*time.Minute)))
	require.Equal(t, 1, p.Remind(opened, opened.Add(60*time.Minute)))
	require.Equal(t, 26, p.Remind(opened, opened.Add(26*time.Hour)))
	require.Zero(t, alerts.Policy{}.Remind(opened, opened.Add(time.Hour)))
	rapid.Check(t, func(t *rapid.T) {
		a := time.Duration(rapid.Int64Range(-1, int64(1000*time.Hour)).Draw(t, "a"))
		b := a + time.Duration(rapid.Int64Range(0, int64(time.Hour)).Draw(t, "b"))
		require.LessOrEqual(t, p.Remind(opened, opened.Add(a)), p.Remind(opened, opened.Add(b)))
	})
}

func TestSeverities(t *testing.T) {
	for _, k := range alerts.Kinds() {
		require.Contains(t, []alerts.Severity{alerts.High, alerts.Medium, alerts.Low}, k.Severity())
	}
	require.Equal(t, alerts.Low, alerts.LateData.Severity(), "what was over before it was known wakes nobody")
	require.Less(t, alerts.High.Rank(), alerts.Medium.Rank())
	require.Less(t, alerts.Medium.Rank(), alerts.Low.Rank())
	require.Zero(t, alerts.Severity("?").Rank())
}
