package render

import (
	"encoding/csv"
	"fmt"
	"io"
	"strings"
)

// CSV writes a table as RFC 4180 has it: lines end in CR LF. A text that a spreadsheet would take for a formula has an
// apostrophe before it (common practice, no source); what is given as a number stays one.
func CSV(w io.Writer, columns []string, rows [][]string) error {
	c := csv.NewWriter(w)
	c.UseCRLF = true
	if err := c.Write(columns); err != nil {
		return fmt.Errorf("write CSV: %w", err)
	}
	for _, row := range rows {
		if err := c.Write(row); err != nil {
			return fmt.Errorf("write CSV: %w", err)
		}
	}
	c.Flush()
	if err := c.Error(); err != nil {
		return fmt.Errorf("write CSV: %w", err)
	}
	return nil
}

// Harmless is a text that no spreadsheet runs.
func Harmless(text string) string {
	if text != "" && strings.ContainsRune("=+-@\t\r\n", rune(text[0])) {
		return "'" + text
	}
	return text
}
