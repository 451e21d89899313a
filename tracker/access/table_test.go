package access_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/tracker/access"
	"vialward/tracker/stock"
)

var midday = time.Date(2025, 11, 12, 17, 0, 0, 0, time.UTC)

// everyone is a site with one person of each role, each of them competent in everything, and another pharmacist.
func everyone() *stock.Site {
	s := &stock.Site{Code: "SMALL", Zone: "America/New_York"}
	var able []stock.Competency
	for _, what := range stock.CompetencyKinds() {
		able = append(able, stock.Competency{What: what, AssessedBy: "the trainer", From: midday.AddDate(-1, 0, 0), Until: midday.AddDate(1, 0, 0)})
	}
	for _, r := range stock.Roles() {
		s.People = append(s.People, stock.Person{Code: r, Roles: []string{r}, Competencies: able})
	}
	s.People = append(s.People, stock.Person{Code: "other", Roles: []string{stock.Pharmacist}}, stock.Person{Code: "none"})
	return s
}

// The table by role, written out by hand from what each of them does in a pharmacy: a slip in the one is no slip in the
// other. Those who prepare do not decide (common practice, no source), an inspector changes nothing, a logger only brings
// temperatures.
func TestWhoMayWhat(t *testing.T) {
	t.Parallel()
	const looks = "demonstrate read read-mail check-record calculate watch sign-in"
	const own = " make-token own-account"
	everybody := strings.Fields("demonstrate calculate watch sign-in")
	want := map[string][]string{
		stock.Technician: strings.Fields(`prepare label place issue give return enter hold relabel discard find count fall-short sign-step close-batch confirm-sweep
			write-readings plan-work ` + looks + own),
		stock.Pharmacist: strings.Fields(`prepare take-over label verify place issue give return enter hold lift release shorten relabel discard
			lose void send find count fall-short correct-cause recall sign-step close-batch explain-yield confirm-sweep write-readings withdraw-readings declare-zone plan-work set-area load-site assess ` + looks + own),
		stock.OnCall:  strings.Fields(`place hold write-readings ` + looks + own),
		stock.Manager: strings.Fields(`hold lose find count fall-short correct-cause write-readings plan-work assess ` + looks + own),
		stock.Administrator: strings.Fields(`hold write-readings withdraw-readings declare-zone plan-work set-area load-site add-person change-person
			make-token-for-another see-accounts reset-password end-sessions ` + looks + own),
		stock.Logger:    append(slices.Clone(everybody), "write-readings"),
		stock.Inspector: strings.Fields("see-accounts " + looks + own),
		"none":          everybody,
		"unknown":       everybody,
	}
	s := everyone()
	for who, operations := range want {
		for _, op := range access.Operations() {
			err := access.May(s, who, op, midday)
			if slices.Contains(operations, string(op)) {
				require.NoError(t, err, "%s, %s", who, op)
				continue
			}
			var no *stock.Refusal
			require.ErrorAs(t, err, &no, "%s, %s", who, op)
			require.Equal(t, "role", no.Code)
			require.Contains(t, no.Say, who)
		}
		for _, op := range operations {
			require.Contains(t, access.Operations(), access.Operation(op), "an operation that is not there")
		}
	}
	require.Error(t, access.May(s, stock.Pharmacist, "something new", midday), "what is not in the table may be done by nobody")
}

// An inspector reads all and changes nothing; whoever asks under no name only reads what is nobody's secret.
func TestReadersChangeNothing(t *testing.T) {
	t.Parallel()
	s := everyone()
	for _, op := range access.Operations() {
		r, ok := access.Of(op)
		require.True(t, ok)
		require.NotEmpty(t, r.Do, op)
		own := op == access.MakeToken || op == access.OwnAccount // of the inspector's own: it reaches no further than they do
		if access.May(s, stock.Inspector, op, midday) == nil && !own {
			require.True(t, r.Reads, op)
		}
		if r.Anyone {
			require.True(t, r.Reads, op)
		}
		if r.Daemon { // it holds and warns; what people decide it never does
			require.Equal(t, access.WriteReadings, op)
		}
		if r.Second != access.Alone {
			require.False(t, r.Daemon || r.Machine || r.Anyone, "%s: a person beside nobody", op)
		}
	}
}

func TestWhoLeft(t *testing.T) {
	t.Parallel()
	s := everyone()
	s.People[0].Left = midday
	require.NoError(t, access.May(s, stock.Technician, access.Label, midday.Add(-time.Microsecond)))
	require.ErrorContains(t, access.May(s, stock.Technician, access.Label, midday), "left the site")
	require.ErrorContains(t, access.May(s, stock.Technician, access.Label, midday.Add(-time.Hour), midday), "left the site")
	require.NotNil(t, access.Beside(s, access.Lose, stock.Manager, stock.Technician, false, midday))
	require.Nil(t, access.Beside(s, access.Lose, stock.Manager, stock.Technician, false, midday.Add(-time.Microsecond)))
}

func TestSecondPerson(t *testing.T) {
	t.Parallel()
	s := everyone()
	for _, c := range []struct {
		op      access.Operation
		witness string
		asked   bool
		say     string // "" = goes
	}{
		{access.Label, "", true, ""},
		{access.Label, "nobody", false, "nobody of site"},
		{access.Discard, "", false, ""},
		{access.Discard, "", true, "two persons"},
		{access.Discard, stock.Technician, true, ""},
		{access.Discard, stock.Pharmacist, true, "own witness"},
		{access.Discard, stock.Pharmacist, false, "own witness"},
		{access.Discard, stock.Inspector, true, "works with no stock"},
		{access.Discard, stock.Logger, true, "works with no stock"},
		{access.Discard, stock.Administrator, true, "works with no stock"},
		{access.Discard, "none", true, "works with no stock"},
		{access.Release, "", true, "two persons"},
		{access.Lift, "", true, "two persons"},
		{access.Lose, "", false, "two persons"},
		{access.Lose, stock.OnCall, false, ""},
		{access.Void, "", false, "two pharmacists"},
		{access.Void, stock.Manager, false, "two pharmacists"},
		{access.Void, stock.Pharmacist, false, "two pharmacists"},
		{access.Void, "other", false, ""},
	} {
		no := access.Beside(s, c.op, stock.Pharmacist, c.witness, c.asked, midday)
		if c.say == "" {
			require.Nil(t, no, "%+v", c)
			continue
		}
		require.NotNil(t, no, "%+v", c)
		require.Equal(t, "two_persons", no.Code)
		require.Contains(t, no.Say, c.say, "%+v", c)
	}
}
