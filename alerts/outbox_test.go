package alerts_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"vialward/alerts"
)

// RFC 5321, 4.2.1: 2yz done, 4yz transient, 5yz permanent; RFC 4954, 6: 530, 534, 535, 538 ask for another sign-in.
func TestClassify(t *testing.T) {
	for _, c := range []struct {
		at   alerts.Stage
		code int
		want alerts.Outcome
	}{
		{alerts.AtMessage, 250, alerts.Taken},
		{alerts.AtRecipient, 250, alerts.Again}, // an answer that belongs to no message accepts none
		{alerts.AtSession, 421, alerts.Again},
		{alerts.AtRecipient, 450, alerts.Again},
		{alerts.AtMessage, 452, alerts.Again},
		{alerts.AtRecipient, 550, alerts.Refuse},
		{alerts.AtMessage, 554, alerts.Refuse},
		{alerts.AtSender, 552, alerts.Refuse},     // this message is too large
		{alerts.AtSender, 550, alerts.Again},      // the sender is refused: no mail of ours would pass
		{alerts.AtSession, 554, alerts.Again},     // greeting: no service here
		{alerts.AtSession, 535, alerts.Again},     // wrong password
		{alerts.AtRecipient, 530, alerts.Again},   // sign in first
		{alerts.AtMessage, 0, alerts.Again},       // no answer
		{alerts.AtMessage, 199, alerts.Again},     // unknown
		{alerts.AtRecipient, 999, alerts.Again},   // unknown
		{alerts.AtMessage, 354, alerts.Again},     // unknown at this point
		{alerts.AtSession, 250 + 1, alerts.Again}, // unknown
	} {
		require.Equal(t, c.want, alerts.Classify(c.at, c.code), "%s %d", c.at, c.code)
	}
}

func TestBackoffGrowsIsCappedAndSpread(t *testing.T) {
	require.Equal(t, 2500*time.Millisecond, alerts.Backoff(1, 0))
	require.Equal(t, 5*time.Minute/2, alerts.Backoff(1000, 0))
	require.Equal(t, 5*time.Minute-35, alerts.Backoff(1000, 1<<32-1), "whole but for 2^-32 of the half, cut to nanoseconds")
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(-3, 1_000_000).Draw(t, "attempt")
		j, k := rapid.Uint32().Draw(t, "jitter"), rapid.Uint32().Draw(t, "other jitter")
		d := alerts.Backoff(n, j)
		require.GreaterOrEqual(t, d, alerts.FirstRetry/2)
		require.LessOrEqual(t, d, alerts.LongestRetry)
		require.GreaterOrEqual(t, alerts.Backoff(n+1, j), d)
		if k > j {
			require.GreaterOrEqual(t, alerts.Backoff(n, k), d)
		}
	})
}

func TestDifferentOccasionsNeverShareAKey(t *testing.T) {
	part := rapid.StringOfN(rapid.RuneFrom([]rune("a|%7C25/")), 0, 6, -1)
	rapid.Check(t, func(t *rapid.T) {
		a := [4]string{part.Draw(t, "k"), part.Draw(t, "about"), part.Draw(t, "slot"), part.Draw(t, "to")}
		b := [4]string{part.Draw(t, "k2"), part.Draw(t, "about2"), part.Draw(t, "slot2"), part.Draw(t, "to2")}
		same := alerts.Key(alerts.Kind(a[0]), a[1], a[2], a[3]) == alerts.Key(alerts.Kind(b[0]), b[1], b[2], b[3])
		require.Equal(t, a == b, same)
	})
}

func TestWhatOvertakesWhat(t *testing.T) {
	for _, older := range alerts.Kinds() {
		require.False(t, alerts.Supersedes(alerts.SweepList, older), "another thread's kind drops nothing")
		if older != alerts.StillOpen && older != alerts.Worse {
			for _, newer := range alerts.Kinds() {
				require.False(t, alerts.Supersedes(newer, older), "%s must be sent whatever follows", older)
			}
		}
	}
	require.True(t, alerts.Supersedes(alerts.Recovered, alerts.StillOpen))
	require.False(t, alerts.Supersedes(alerts.Recovered, alerts.Worse))
}

func TestMessageIDsOfTwoInstallationsDiffer(t *testing.T) {
	at := time.Date(2025, 11, 12, 7, 22, 0, 0, time.UTC)
	a := alerts.MessageID(1, "k", at, "pharmacy.example")
	require.Equal(t, a, alerts.MessageID(1, "k", at, "pharmacy.example"))
	require.NotEqual(t, a, alerts.MessageID(1, "k", at.Add(time.Microsecond), "pharmacy.example"))
	require.NotEqual(t, a, alerts.MessageID(2, "k", at, "pharmacy.example"))
	require.Regexp(t, `^[0-9a-f]{32}@pharmacy\.example$`, a)
}
