package main

import (
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"time"

	"vialward/cmd/vialward/internal/present"
	"vialward/cmd/vialward/internal/render"
)

// writeCSV writes a file a table into a folder, which it makes if it is not there.
func writeCSV(folder string, tables []present.Table) error {
	if err := os.MkdirAll(folder, 0o750); err != nil {
		return usage("%w", err)
	}
	for _, t := range tables {
		rows := make([][]string, len(t.Rows))
		for i, row := range t.Rows {
			for _, cell := range row {
				rows[i] = append(rows[i], csvCell(cell))
			}
		}
		if err := toFile(filepath.Join(folder, t.Name+".csv"), func(w io.Writer) error { return render.CSV(w, t.Columns, rows) }); err != nil {
			return err
		}
	}
	return nil
}

// csvCell has numbers as they are: money in whole units, rates as a part of 1, times RFC 3339.
func csvCell(cell any) string {
	switch x := cell.(type) {
	case nil:
		return ""
	case string:
		return render.Harmless(x)
	case time.Time:
		return x.Format(time.RFC3339)
	case present.Cents:
		return strconv.FormatFloat(float64(x)/100, 'f', 2, 64)
	case present.Share:
		return strconv.FormatFloat(math.Round(float64(x)*1e4)/1e4, 'f', -1, 64)
	case present.Hours:
		return strconv.FormatFloat(math.Round(float64(x)*100)/100, 'f', -1, 64)
	default:
		return fmt.Sprint(x)
	}
}

// writeWorkbook writes a sheet a table, and one of definitions.
func writeWorkbook(file string, tables []present.Table, definitions []present.Definition) error {
	var sheets []render.Sheet
	for _, t := range tables {
		s := render.Sheet{Name: t.Name, Columns: t.Columns}
		for _, row := range t.Rows {
			var cells []any
			for _, cell := range row {
				cells = append(cells, sheetCell(cell))
			}
			s.Rows = append(s.Rows, cells)
		}
		sheets = append(sheets, s)
	}
	words := render.Sheet{Name: "definitions", Columns: []string{"word", "meaning"}}
	for _, d := range definitions {
		words.Rows = append(words.Rows, []any{d.Word, d.Meaning})
	}
	return toFile(file, func(w io.Writer) error { return render.Workbook(w, append(sheets, words)) })
}

func sheetCell(cell any) any {
	switch x := cell.(type) {
	case present.Cents:
		return render.Decimal{Value: float64(x) / 100, Format: "#,##0.00"}
	case present.Share:
		return render.Decimal{Value: float64(x), Format: "0.0%"}
	case present.Hours:
		return render.Decimal{Value: float64(x), Format: "0.0"}
	default:
		return x
	}
}

// toFile leaves no file that says half of it.
func toFile(name string, write func(io.Writer) error) error {
	f, err := os.Create(name)
	if err != nil {
		return usage("%w", err)
	}
	if err := errors.Join(write(f), f.Close()); err != nil {
		return errors.Join(fmt.Errorf("write %s: %w", name, err), os.Remove(name))
	}
	return nil
}
