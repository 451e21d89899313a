package access_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"vialward/tracker/access"
)

var noon = time.Date(2025, 11, 12, 17, 0, 0, 0, time.UTC)

// Whatever is asked when, in any stretch of time no more is let through than the burst and one for every Every of it;
// whoever waits as long as told is let through; and a full bucket holds its whole burst.
func TestBucketNeverLetsMoreThrough(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		r := access.Rate{Burst: rapid.IntRange(1, 12).Draw(t, "burst"), Every: time.Duration(rapid.IntRange(1, 5000).Draw(t, "every")) * time.Millisecond}
		var b access.Bucket
		var through []time.Time
		now := noon
		for range rapid.IntRange(1, 80).Draw(t, "tries") {
			now = now.Add(time.Duration(rapid.IntRange(0, 6000).Draw(t, "pause")) * time.Millisecond / time.Duration(r.Burst))
			wait, ok := b.Take(r, now)
			if ok {
				require.Zero(t, wait)
				through = append(through, now)
				continue
			}
			require.Positive(t, wait)
			require.LessOrEqual(t, wait, r.Every, "one comes back after Every at the latest")
			later := b
			_, ok = later.Take(r, now.Add(wait-1))
			require.False(t, ok, "not a moment sooner than said")
			later = b
			_, ok = later.Take(r, now.Add(wait))
			require.True(t, ok, "at the moment said")
		}
		for i, from := range through {
			for j := i; j < len(through); j++ {
				most := r.Burst + int(through[j].Sub(from)/r.Every)
				require.LessOrEqual(t, j-i+1, most)
			}
		}
	})
}

// A try that is given back was never taken.
func TestBucketTakesBack(t *testing.T) {
	t.Parallel()
	r := access.Rate{Burst: 2, Every: time.Minute}
	var b access.Bucket
	for range 50 { // a shift signing in without a mistake
		_, ok := b.Take(r, noon)
		require.True(t, ok)
		b.Return(r)
		require.True(t, b.Full(noon))
	}
	for range 2 {
		_, ok := b.Take(r, noon)
		require.True(t, ok)
	}
	_, ok := b.Take(r, noon)
	require.False(t, ok)
	require.False(t, b.Full(noon.Add(2*time.Minute-1)))
	require.True(t, b.Full(noon.Add(2*time.Minute)))
}

// A machine's clock that was set back by a day keeps nobody out for a day.
func TestBucketAfterTheClockWasSetBack(t *testing.T) {
	t.Parallel()
	r := access.Rate{Burst: 3, Every: time.Minute}
	var b access.Bucket
	_, ok := b.Take(r, noon)
	require.True(t, ok)
	wait, ok := b.Take(r, noon.Add(-24*time.Hour))
	require.False(t, ok)
	require.LessOrEqual(t, wait, time.Minute)
	_, ok = b.Take(r, noon.Add(-24*time.Hour+wait))
	require.True(t, ok)
}

// OWASP ASVS 4.0, 2.2.1: at most 100 wrong tries an hour on one account (M). Strangers and one known device together.
func TestRatesOfSignIn(t *testing.T) {
	t.Parallel()
	an := access.ByAccount.Burst + int(time.Hour/access.ByAccount.Every)
	require.LessOrEqual(t, 2*an, 100)
	require.GreaterOrEqual(t, access.ByAccount.Burst, 5, "a tired person at three in the morning mistypes")
}
