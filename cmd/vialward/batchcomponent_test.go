package main

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/tracker/stock"
)

// A component's flag: names and amounts may hold commas and signs, a slip is said before anything is recorded.
func TestComponentFlag(t *testing.T) {
	for text, want := range map[string]stock.Component{
		"water,W1,expires=2026-12":                                 {Name: "water", Lot: "W1", Expires: "2026-12"},
		"pantoprazole, powder, P 7 ,beyond_use=2026-12-31":         {Name: "pantoprazole, powder", Lot: "P 7", BeyondUse: "2026-12-31"},
		"water,W1,expires=2026-12,amount=2 x 10 mL, maker = A & B": {Name: "water", Lot: "W1", Expires: "2026-12", Amount: "2 x 10 mL", Maker: "A & B"},
		"water,W1,opened_at=2026-05-01T08:00:00Z,used_at=2026-05-01T09:00:00Z,expires=2026-12": {
			Name: "water", Lot: "W1", Expires: "2026-12", OpenedAt: time.Date(2026, 5, 1, 8, 0, 0, 0, time.UTC), UsedAt: time.Date(2026, 5, 1, 9, 0, 0, 0, time.UTC),
		},
	} {
		got, err := component(text)
		require.NoError(t, err, text)
		require.Equal(t, want, got, text)
	}
	for _, text := range []string{"", "water", "water,W1", "water,expires=2026-12", "expires=2026-12", "water,W1,ends=2026-12", "water,W1,expires=2026-12,opened_at=yesterday"} {
		_, err := component(text)
		require.Error(t, err, text)
	}
}
