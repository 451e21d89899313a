package beyonduse_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/tracker/beyonduse"
	"vialward/tracker/stock"
)

// Storage after reconstitution as printed on labels of generic drugs (R), beside the chapter's 4 d at room temperature and
// 10 d in the refrigerator (Category 2, aseptic, sterile components, not tested: USP <797> in Wis. Admin. Code Phar
// 15.37, R): what the label gives shortens the date, and never lengthens it.
func TestLabelledStorageAgainstTheChapter(t *testing.T) {
	const h, d = time.Hour, 24 * time.Hour
	for _, c := range []struct {
		drug    string
		storage stock.Storage
		label   time.Duration
		want    time.Duration
		governs string
	}{
		{"cefazolin", room, 24 * h, 24 * h, "stability"},
		{"cefazolin", fridge, 10 * d, 10 * d, "sterility"}, // equal: the chapter is named
		{"vancomycin", fridge, 14 * d, 10 * d, "sterility"},
		{"penicillin G potassium", fridge, 7 * d, 7 * d, "stability"},
		{"ceftriaxone 250-350 mg/mL", room, 2 * d, 2 * d, "stability"},
		{"ceftriaxone 250-350 mg/mL", fridge, 3 * d, 3 * d, "stability"},
		{"ceftazidime, intramuscular", room, 24 * h, 24 * h, "stability"},
		{"ceftazidime, intramuscular", fridge, 7 * d, 7 * d, "stability"},
		{"ampicillin", room, h, h, "stability"},
	} {
		start := at(t, "2026-06-01T08:30:00Z")
		got, err := beyonduse.Compute(beyonduse.Input{
			Zone: time.UTC, StartedAt: start, Storage: c.storage, Sterility: beyonduse.Sterility{Category: "2", Method: "aseptic"}, Table: beyonduse.Shipped(),
			Stability: []beyonduse.Stability{{Storage: c.storage, For: c.label, Source: "label of a generic", Confirmed: true}},
		})
		require.NoError(t, err, c.drug)
		require.Equal(t, start.Add(c.want), got.BeyondUse, "%s, %s", c.drug, c.storage)
		require.Equal(t, c.governs, got.GovernedBy, "%s, %s", c.drug, c.storage)
	}
}
