package alerts_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"vialward/alerts"
)

func BenchmarkRender(b *testing.B) {
	f := warm()
	for b.Loop() {
		_, err := alerts.Templates().Render(alerts.Warm, f)
		require.NoError(b, err)
	}
}
