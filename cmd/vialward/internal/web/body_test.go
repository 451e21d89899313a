package web

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// A wrong time is said with what was sent and what to send, not in the words of a parser.
func TestWrongTimesAreSaidInWords(t *testing.T) {
	var document struct {
		At time.Time `json:"at"`
	}
	for text, say := range map[string]string{
		`{"at":"2026-11-25T08:30:00"}`: `"2026-11-25T08:30:00" is no time with its offset; write it as RFC 3339 does, such as 2025-11-12T08:30:00-05:00.`,
		`{"at":"noon"}`:                `"noon" is no time with its offset; write it as RFC 3339 does, such as 2025-11-12T08:30:00-05:00.`,
		`{"at":7}`:                     `A time is not text in quotes; write it as RFC 3339 does, such as 2025-11-12T08:30:00-05:00.`,
	} {
		err := strict([]byte(text), &document)
		require.Error(t, err, text)
		require.Equal(t, say, sentence(err))
	}
}
