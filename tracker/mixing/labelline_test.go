package mixing_test

import (
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"vialward/tracker/mixing"
	"vialward/tracker/stock"
)

type labelLine struct {
	name                          string
	mass, perML, balance          int64 // thousandths
	diluent, volume, displacement int64 // µL
}

func labelLines(t *testing.T) []labelLine {
	t.Helper()
	text, err := os.ReadFile("../../testdata/mixing/label_lines.tsv")
	require.NoError(t, err)
	var lines []labelLine
	for _, row := range strings.Split(strings.TrimSpace(string(text)), "\n") {
		if strings.HasPrefix(row, "#") {
			continue
		}
		c := strings.Split(row, "\t")
		require.Len(t, c, 10, row)
		l := labelLine{
			name: c[0] + " " + c[2] + " " + c[1] + " + " + c[3], mass: milli(t, c[2]), diluent: milli(t, c[3]),
			perML: milli(t, c[4]), volume: milli(t, c[5]), balance: milli(t, c[7]),
		}
		l.displacement = l.volume - l.diluent
		lines = append(lines, l)
	}
	return lines
}

func milli(t *testing.T, s string) int64 {
	t.Helper()
	n, err := stock.ParseMilli(s)
	require.NoError(t, err)
	return n
}

func (l labelLine) source() mixing.Source {
	return mixing.Source{
		Mass: stock.Micrograms(l.mass), Diluent: stock.Microlitres(l.diluent),
		LabelLine: &stock.LabelLine{Diluent: stock.Microlitres(l.diluent), UgPerML: stock.Micrograms(l.perML), VolumeUL: stock.Microlitres(l.volume)},
	}
}

// Each line of testdata/mixing/label_lines.tsv (source and tag in its row) gives back the concentration and the volume
// printed on the label, and a mass balance worked out by hand.
func TestLabelLinesStandAsPrinted(t *testing.T) {
	lines := labelLines(t)
	require.Len(t, lines, 14)
	for _, l := range lines {
		t.Run(l.name, func(t *testing.T) {
			m, err := mixing.Make(mixing.Plan{Source: l.source(), Vials: 1, ToleranceMilliPercent: 1000})
			require.NoError(t, err)
			require.EqualValues(t, l.volume, m.Volume)
			require.EqualValues(t, l.perML, m.UgPerML)
			require.Equal(t, l.balance, m.MassBalance)
			require.Empty(t, m.Warnings)
		})
	}
}

// Displacements of the label (R): 0.1 0.2 0.4 0.8 mL for ceftriaxone 250 mg to 2 g at 250 mg/mL, 0.757 at 350; 2.0 mL
// on both lines of penicillin G. The table's volumes were made from them, so this guards the table.
func TestDisplacementsOfTheTable(t *testing.T) {
	want := map[string]int64{
		"ceftriaxone 250 mg + 0.9": 100, "ceftriaxone 500 mg + 1.8": 200, "ceftriaxone 1000 mg + 3.6": 400,
		"ceftriaxone 2000 mg + 7.2": 800, "ceftriaxone 1000 mg + 2.1": 757, "penicillin G 5 MU + 8": 2000,
		"penicillin G 5 MU + 3": 2000, "amoxicillin 250 mg + 5.0": 200, "amoxicillin 250 mg + 4.8": 200,
	}
	for _, l := range labelLines(t) {
		if d, ok := want[l.name]; ok {
			require.Equal(t, d, l.displacement, l.name)
			delete(want, l.name)
		}
	}
	require.Empty(t, want)
}

// A line read for 3.6 mL must not be used for 2.1 mL: its displacement of 0.4 mL would give 400 mg/mL where the label
// says 350.
func TestALineIsNeverCarriedToAnotherVolume(t *testing.T) {
	lines := labelLines(t)
	for _, from := range lines {
		for _, to := range lines {
			if from.mass != to.mass || from.diluent == to.diluent {
				continue
			}
			s := from.source()
			s.Diluent = stock.Microlitres(to.diluent)
			_, err := mixing.Make(mixing.Plan{Source: s, Vials: 1, ToleranceMilliPercent: 100_000})
			requireCodes(t, err, mixing.CodeLabelLine)
			_, err = mixing.Materials(mixing.Wanted{Source: s, Vials: 1, Amount: 1000, Fill: 1000, Container: 2000})
			requireCodes(t, err, mixing.CodeLabelLine)
		}
	}
}
