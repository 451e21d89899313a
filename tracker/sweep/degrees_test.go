package sweep_test

import (
	"encoding/json"
	"testing"

	"github.com/stretchr/testify/require"

	"vialward/tracker/sweep"
)

// A list is read by programs and read back from the record: degrees as everywhere else, and nothing lost on the way.
func TestDegreesInJSON(t *testing.T) {
	for milli, text := range map[sweep.Degrees]string{4_700: "4.7", 0: "0", -1: "-0.001", -18_000: "-18", 85_125: "85.125"} {
		got, err := json.Marshal(sweep.Probe{Sensor: "T1", MilliC: &milli})
		require.NoError(t, err)
		require.JSONEq(t, `{"sensor":"T1","celsius":`+text+`}`, string(got))
		var back sweep.Probe
		require.NoError(t, json.Unmarshal(got, &back))
		require.Equal(t, milli, *back.MilliC)
		require.Nil(t, back.Lowest)
	}
	require.Error(t, json.Unmarshal([]byte(`{"celsius":"warm"}`), &sweep.Probe{}))
}
