package db

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"vialward/tracker/thermal"
)

// What is packed comes back, negative instants and large steps included.
func TestPackedReadingsComeBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rs := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) thermal.Reading {
			return thermal.Reading{
				AtMicros: rapid.Int64Range(math.MinInt64/4, math.MaxInt64/4).Draw(t, "at"),
				MilliC:   thermal.MilliC(rapid.Int32Range(-200_000, 200_000).Draw(t, "milli")),
			}
		}), 0, 50).Draw(t, "readings")
		back, err := unpack(nil, pack(rs))
		require.NoError(t, err)
		require.Len(t, back, len(rs))
		for i := range rs {
			require.Equal(t, rs[i], back[i])
		}
	})
}

// A damaged row is an error, never a panic and never other readings in silence at its end.
func FuzzUnpack(f *testing.F) {
	f.Add([]byte{packingVersion, 2, 4})
	f.Add([]byte{9, 2, 4})
	f.Add([]byte{packingVersion, 0xff})
	f.Fuzz(func(t *testing.T, b []byte) {
		rs, err := unpack(nil, b)
		if err != nil {
			require.ErrorIs(t, err, errPacking)
			return
		}
		again, err := unpack(nil, pack(rs))
		require.NoError(t, err)
		require.Equal(t, rs, again)
	})
}

func BenchmarkUnpackDay(b *testing.B) {
	day := make([]thermal.Reading, 1440)
	for i := range day {
		day[i] = thermal.Reading{AtMicros: int64(i) * 60_000_000, MilliC: thermal.MilliC(4000 + i%700)}
	}
	packed := pack(day)
	b.ReportAllocs()
	b.ReportMetric(float64(len(packed))/float64(len(day)), "bytes/reading")
	for b.Loop() {
		if _, err := unpack(make([]thermal.Reading, 0, len(day)), packed); err != nil {
			b.Fatal(err)
		}
	}
}
