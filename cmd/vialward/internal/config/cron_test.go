package config_test

import (
	"fmt"
	"testing"

	"pgregory.net/rapid"

	"github.com/stretchr/testify/require"

	"vialward/cmd/vialward/internal/schedule"
)

// Configuration and scheduler agree on every expression: one that passes here must not stop the daemon later, nor one
// that would run be refused.
func TestCronAsTheSchedulerReadsIt(t *testing.T) {
	agree := func(t require.TestingT, spec string) {
		_, err := loadText(fmt.Sprintf("[schedule]\nslots = %q\n", spec))
		require.Equal(t, schedule.Check(spec) == nil, err == nil, "%q: scheduler %v, configuration %v", spec, schedule.Check(spec), err)
	}
	for _, spec := range []string{
		"* * * * *", "*/5 * * * *", "0 7,19 * * mon-fri", "5/10 * * * *", "0 0 29 2 *", "0 0 30 2 *", "0 0 30 2 mon", "0 0 31 4,6,9,11 *",
		"0 0 31 2-4 *", "0 0 30 feb */2", "0 0 30 FEB ?", "@every 30s", "@every", "@every soon", "@hourly", "@reboot",
		"* * * *", "* * * * * *", "60 * * * *", "* 24 * * *", "* * 0 * *", "* * 32 * *", "* * * 13 *", "* * * * 7", "5-1 * * * *", "*/0 * * * *",
		"-1 * * * *", "1- * * * *", "*/x * * * *", "TZ=UTC * * * * *", "CRON_TZ=UTC 0 0 * * *", "0 0 30 2 *,mon",
		"256 * * * *", "1-2-3 * * * *", "1/2/3 * * * *", "@Daily", "0 0 L * *", "0 0 31,30 feb *", "sun * * * *", "* * mon * *",
	} {
		agree(t, spec)
	}
	// What the library makes something of without a word is refused here.
	for spec, say := range map[string]string{
		"@every 0s": "at least a second", "@every 10ms": "at least a second", "@every -5s": "at least a second",
		"1,, * * * *": `minute "" is not a number`, "+1 * * * *": `minute "+1" is not a number`, "*-5 * * * *": `minute "*" is not a number`,
	} {
		_, err := loadText(fmt.Sprintf("[schedule]\nslots = %q\n", spec))
		require.ErrorContains(t, err, say)
	}
	part := rapid.OneOf(rapid.SampledFrom([]string{"*", "?", "*/2", "1-3", "0", "30", "31", "2", "feb", "mon", "9-3", "5/2", "70"}), rapid.StringMatching(`[0-9]{1,2}(-[0-9]{1,2})?(/[0-9])?`))
	rapid.Check(t, func(t *rapid.T) {
		spec := ""
		for i := range 5 {
			if i > 0 {
				spec += " "
			}
			spec += part.Draw(t, "part")
			if rapid.IntRange(0, 4).Draw(t, "more") == 0 {
				spec += "," + part.Draw(t, "part")
			}
		}
		agree(t, spec)
	})
}
