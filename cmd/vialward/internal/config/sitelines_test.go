package config

import (
	"testing"

	"github.com/stretchr/testify/require"
)

// Each path's line was counted by eye; the text holds every form of TOML in which a line break or bracket can hide.
func TestLinesOfEveryTOMLForm(t *testing.T) {
	got := findLines(`# comment [not.a.table]
a = "x # no comment ] " # one
b = 'it is \ ' 
text = """
[no.table]
k = "v" \"""
"""
raw = '''
[[no]]
'''''
list = [ # comment ]
  "one", 'two',

  "three" ]
nested = [ [1, 2],
  [3] ]
inline = { x = 1, y = { z = [ "p", "q" ] } }
dotted.key."with space" = 2024-01-01
[table . sub]
k = 1
[[rooms]]
code = "1"
  [[rooms.units]]
  code = "2"
  rows = [ { a = 1 },
    { a = 2, b = "}" } ]
[[rooms]]
[[rooms.units]]
[[rooms.units]]
[rooms.units.last]
k = 1
`)
	want := map[string]int{
		"a": 2, "b": 3, "text": 4, "raw": 8, "list": 11, "list[1]": 12, "list[2]": 12, "list[3]": 14, "nested": 15, "nested[1]": 15,
		"nested[1][2]": 15, "nested[2]": 16, "nested[2][1]": 16, "inline": 17, "inline.x": 17, "inline.y.z[2]": 17,
		"dotted.key.with space": 18, "table.sub": 19, "table.sub.k": 20, "rooms": 21, "rooms[1]": 21, "rooms[1].code": 22,
		"rooms[1].units[1]": 23, "rooms[1].units[1].code": 24, "rooms[1].units[1].rows[1].a": 25, "rooms[1].units[1].rows[2]": 26,
		"rooms[1].units[1].rows[2].b": 26, "rooms[2]": 27, "rooms[2].units[1]": 28, "rooms[2].units[2]": 29,
		"rooms[2].units[2].last": 30, "rooms[2].units[2].last.k": 31,
	}
	for path, line := range want {
		require.Equal(t, line, got[path], path)
	}
	require.Equal(t, 29, got.of("rooms[2].units[2].shelves[4]"), "what is missing is shown at its table")
	require.Equal(t, 1, got.of("nowhere.at.all"))
}
