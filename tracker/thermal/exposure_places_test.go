package thermal_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"vialward/tracker/thermal"
)

// Of several sensors that speak for one place, no figure is below any one's alone, and cutting the stay changes nothing.
func TestSharedPlaceIsTheWorst(t *testing.T) {
	energy := 80.0
	x, err := thermal.NewExposures(thermal.ExposureRules{MaxGap: 30 * time.Minute, Stability: thermal.Stability{
		LabelMilliC: [2]thermal.MilliC{2000, 8000}, Points: []thermal.StabilityPoint{{MilliC: 5000, Keeps: 100 * time.Hour}}, ActivationKJPerMol: &energy,
	}})
	require.NoError(t, err)
	rapid.Check(t, func(t *rapid.T) {
		traces := make([]*thermal.Trace, rapid.IntRange(2, 3).Draw(t, "sensors"))
		for i := range traces {
			var raw []thermal.Reading
			for k := range rapid.IntRange(2, 12).Draw(t, "readings") {
				raw = append(raw, thermal.Reading{AtMicros: int64(k) * 10 * minute, MilliC: thermal.MilliC(rapid.Int32Range(-2000, 30_000).Draw(t, "reading"))})
			}
			traces[i] = x.Trace(raw)
		}
		cut := int64(rapid.IntRange(1, 109).Draw(t, "cut")) * minute
		stay := func(from, to int64) thermal.Stay {
			return thermal.Stay{FromMicros: from, ToMicros: to, Trace: traces[0], Others: traces[1:]}
		}
		of := func(stays ...thermal.Stay) thermal.Exposure {
			e, err := x.Of(stays, 110*minute, 10_000*minute)
			require.NoError(t, err)
			return e
		}
		whole := of(stay(0, 110*minute))
		parts := of(stay(0, cut), stay(cut, 110*minute))
		require.InDelta(t, whole.StabilityUsed, parts.StabilityUsed, 1e-9)
		require.Equal(t, whole.Above8, parts.Above8)
		require.Equal(t, whole.Below2, parts.Below2)
		require.Equal(t, whole.Unknown, parts.Unknown)
		require.Equal(t, whole.FreezeReadings, parts.FreezeReadings)
		for _, one := range traces {
			alone := of(thermal.Stay{ToMicros: 110 * minute, Trace: one})
			require.GreaterOrEqual(t, whole.Above8, alone.Above8)
			require.GreaterOrEqual(t, whole.Below2, alone.Below2)
			require.GreaterOrEqual(t, whole.FreezeReadings, alone.FreezeReadings)
			require.LessOrEqual(t, whole.Unknown, alone.Unknown)
			require.GreaterOrEqual(t, whole.StabilityUsed, alone.StabilityUsed-1e-9)
		}
	})
}

// Debits of a sensor in air are those within intervals, which are joined where they meet.
func TestDebitWithinIntervals(t *testing.T) {
	x, err := thermal.NewExposures(thermal.ExposureRules{MaxGap: time.Hour})
	require.NoError(t, err)
	joined := thermal.Joined([]thermal.Interval{{FromMicros: 30 * minute, ToMicros: 40 * minute}, {FromMicros: 10 * minute, ToMicros: 20 * minute}, {FromMicros: 15 * minute, ToMicros: 25 * minute}})
	require.Len(t, joined, 2)
	trace := x.TraceBy(thermal.TraceRules{MaxGap: time.Hour, InAir: true, Debit: joined}, []thermal.Reading{{AtMicros: 0, MilliC: 9000}, {AtMicros: 60 * minute, MilliC: 9000}})
	e, err := x.Of([]thermal.Stay{{ToMicros: 35 * minute, Trace: trace}}, 60*minute, 900*minute)
	require.NoError(t, err)
	require.Equal(t, 35*time.Minute, e.Above8)
	require.Equal(t, 20*time.Minute, e.Debited)
}
