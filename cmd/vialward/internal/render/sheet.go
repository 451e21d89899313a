package render

import (
	"fmt"
	"io"
	"math"
	"time"

	"github.com/xuri/excelize/v2"
)

// Sheet is a table of a workbook. A cell is a string, an int, a Decimal, a wall time, or nil for an empty one.
type Sheet struct {
	Name    string
	Columns []string
	Rows    [][]any
}

// Decimal is a number with how it is shown.
type Decimal struct {
	Value  float64
	Format string // of a spreadsheet: "0.0 %", "#,##0.00"
}

// Workbook writes sheets as Office Open XML (ISO/IEC 29500): numbers are numbers, a time is a date by the clock of its own
// zone, a text is a text even where it looks like a formula.
func Workbook(w io.Writer, sheets []Sheet) (err error) {
	f := excelize.NewFile()
	defer func() {
		if e := f.Close(); err == nil {
			err = e
		}
	}()
	b := book{f, map[string]int{}}
	head, err := f.NewStyle(&excelize.Style{Font: &excelize.Font{Bold: true}, Alignment: &excelize.Alignment{WrapText: true, Vertical: "top"}})
	if err != nil {
		return fmt.Errorf("make the workbook: %w", err)
	}
	for i, s := range sheets {
		if i == 0 {
			err = f.SetSheetName(f.GetSheetName(0), s.Name)
		} else {
			_, err = f.NewSheet(s.Name)
		}
		if err == nil {
			err = b.fill(s, head)
		}
		if err != nil {
			return fmt.Errorf("fill sheet %s: %w", s.Name, err)
		}
	}
	if err := f.Write(w); err != nil {
		return fmt.Errorf("write the workbook: %w", err)
	}
	return nil
}

// book is a workbook under way, with the styles it has so far.
type book struct {
	*excelize.File
	styles map[string]int
}

func (b book) fill(s Sheet, head int) error {
	stream, err := b.NewStreamWriter(s.Name)
	if err != nil {
		return err
	}
	if err := stream.SetColWidth(1, max(len(s.Columns), 1), 22); err != nil {
		return err
	}
	if err := stream.SetPanes(&excelize.Panes{Freeze: true, YSplit: 1, TopLeftCell: "A2", ActivePane: "bottomLeft"}); err != nil {
		return err
	}
	columns := make([]any, len(s.Columns))
	for i, c := range s.Columns {
		columns[i] = excelize.Cell{StyleID: head, Value: c}
	}
	if err := stream.SetRow("A1", columns); err != nil {
		return err
	}
	for i, row := range s.Rows {
		cells := make([]any, len(row))
		for k, value := range row {
			if cells[k], err = b.cell(value); err != nil {
				return err
			}
		}
		if err := stream.SetRow(fmt.Sprintf("A%d", i+2), cells); err != nil {
			return err
		}
	}
	return stream.Flush()
}

// cell is a value in its style. A time is the days since 1899-12-30 of the wall clock, as spreadsheets count from March
// 1900 on.
func (b book) cell(value any) (any, error) {
	switch x := value.(type) {
	case Decimal:
		style, err := b.style(x.Format)
		return excelize.Cell{StyleID: style, Value: x.Value}, err
	case time.Time:
		_, offset := x.Zone()
		seconds := x.Unix() + int64(offset)
		const epoch = 25_569 // days from 1899-12-30 to 1970-01-01
		style, err := b.style("yyyy-mm-dd hh:mm")
		return excelize.Cell{StyleID: style, Value: math.Round((epoch+float64(seconds)/86_400)*1e8) / 1e8}, err
	default:
		return value, nil
	}
}

func (b book) style(format string) (int, error) {
	if id, ok := b.styles[format]; ok {
		return id, nil
	}
	id, err := b.NewStyle(&excelize.Style{CustomNumFmt: &format})
	b.styles[format] = id
	return id, err
}
