package templog

import (
	"bytes"

	"vialward/tracker/thermal"
)

// isoFault says why a time is not one of RFC 3339; the usual reason is that it has no offset.
func isoFault(text []byte) fault {
	if len(text) < longestName {
		if _, ok := rfc3339(append(bytes.Clone(text), 'Z')); ok {
			return fault{"the time %s has no offset: write it as 2025-11-12T08:30:00-05:00, or describe the log by a layout with its zone", text}
		}
	}
	return fault{notATime, text}
}

// badValue is the reason for a cell that is no temperature.
func (t *table) badValue(text []byte, err error) fault {
	if t.decimal == '.' && bytes.IndexByte(text, ',') >= 0 {
		if _, comma := thermal.Parse(text, t.unit, ','); comma == nil {
			return fault{`%s has a decimal comma: say so in a layout, decimal = ","`, text}
		}
	}
	if t.decimal == ',' && bytes.IndexByte(text, '.') >= 0 {
		return fault{`%s has a point in it, but the layout says decimal = ","`, text}
	}
	return fault{why: err.Error()}
}

// strayOnly says that a cell is empty but for delimiters of another kind, as some programs append them to each row.
func strayOnly(cell []byte) bool {
	for _, c := range cell {
		if c != ',' && c != ';' && c != ' ' && c != '\t' {
			return false
		}
	}
	return true
}

// trimStray drops such a tail of at least two from a row's last cell.
func trimStray(cell []byte) []byte {
	cut := bytes.TrimRight(cell, ",; \t")
	if len(cell)-len(cut) < 2 && len(cut) > 0 {
		return cell
	}
	return cut
}
