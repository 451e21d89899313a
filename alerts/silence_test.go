package alerts_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/alerts"
)

// The end of a silence of all loggers is told once all are back, or half an hour after the first one came.
func TestWhenAllAreSaidToBeBack(t *testing.T) {
	first := at(time.November, 5, 8, 10)
	for name, c := range map[string]struct {
		silent int
		after  time.Duration
		want   bool
	}{
		"all at once":                      {0, 0, true},
		"all within minutes":               {0, 7 * time.Minute, true},
		"one is missing":                   {1, 0, false},
		"one is missing for half an hour":  {1, 30 * time.Minute, true},
		"a minute short of that":           {1, 29 * time.Minute, false},
		"all but the first, for a day":     {5, 24 * time.Hour, true},
		"the last of many came in the end": {0, 24 * time.Hour, true},
	} {
		require.Equal(t, c.want, alerts.TellBack(c.silent, first, first.Add(c.after)), name)
	}
}

// It answers the mail that all are silent: for each recipient it hangs below that one (RFC 5322, 3.6.4).
func TestBackHangsBelowTheSilence(t *testing.T) {
	p, _ := alerts.NewPolicy(quillmere(), "pharmacy.example")
	since := at(time.November, 5, 5, 40)
	began := p.Plan(alerts.Notice{Mail: alerts.Mail{Kind: alerts.AllSilent}, Severity: alerts.Medium, About: "site", What: "x", First: true,
		Thread: alerts.Silence{Since: since}.Thread(), At: since})
	ended := p.Plan(alerts.Notice{Mail: alerts.Mail{Kind: alerts.AllBack}, About: "site", What: "y", Thread: back().Thread(), At: since.Add(time.Hour)})
	require.NotEmpty(t, ended)
	require.Equal(t, to(began), to(ended))
	for i := range ended {
		require.Equal(t, began[i].MessageID, ended[i].Root())
	}
}
