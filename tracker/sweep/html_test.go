package sweep_test

import (
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"testing"

	"github.com/stretchr/testify/require"

	"vialward/tracker/sweep"
)

// What a phone shows of a list: every line there is, in elements that wrap at any width; nothing that has a width of its
// own, no colour (a dark screen chooses it) and nothing to be loaded.
func TestGoldenMarkup(t *testing.T) {
	for name, in := range lists() {
		t.Run(name, func(t *testing.T) {
			l := sweep.Make(in)
			got := sweep.Markup(l)
			file := filepath.Join("..", "..", "testdata", "lists", name+".html")
			if *update {
				require.NoError(t, os.WriteFile(file, []byte(got), 0o644))
			}
			want, err := os.ReadFile(file)
			require.NoError(t, err)
			require.Equal(t, string(want), got)
			onAPhone(t, got)
			w := l.Words()
			for _, u := range l.Units {
				for _, x := range u.Lines {
					if x.Action != sweep.Stay {
						require.Contains(t, got, "<b>"+w.Action(x)+"</b>")
					}
					require.Contains(t, got, x.Batch)
				}
			}
		})
	}
}

// A list too long for a mail is cut at a line and says so; what a name holds is text, not markup.
func TestMarkupOfALongList(t *testing.T) {
	in := lists()["busy"]
	for i := range 300 {
		in.Vials = append(in.Vials, batch(fmt.Sprintf("251107-%d", i+10), "PANT", "R1/A", at(11, 8, 30), 1, 1)...)
	}
	got := sweep.Markup(sweep.Make(in))
	onAPhone(t, got)
	require.Regexp(t, `NOT ALL OF IT: this mail has no room for \d+ more lines, of R1`, got)
	require.Contains(t, got, "type SWEEP-")

	l := sweep.Make(lists()["empty"])
	l.Units[0].Name = `<img src="x">`
	require.Contains(t, sweep.Markup(l), "&lt;img")
}

var widths = regexp.MustCompile(`<(pre|table|img|style|link)|[^-]width|color:|background|nowrap|url\(`)

func onAPhone(t *testing.T, markup string) {
	t.Helper()
	require.Less(t, len(markup), 25_500)
	require.NotRegexp(t, widths, markup)
}
