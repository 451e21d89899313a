package main

import (
	"time"

	"vialward/cmd/vialward/internal/present"
	"vialward/tracker"
)

type reportCommands struct {
	Waste wasteReport `cmd:"" may:"read" help:"What was thrown away in a period, why, and what it had cost."`
}

type wasteReport struct {
	atSite
	From string `help:"Start: a month 2025-10, a day 2025-10-31 or RFC 3339; the last whole month if left out." placeholder:"TIME"`
	To   string `help:"End; a month or a day is in the period. Left out: the month or day of the start." placeholder:"TIME"`
	CSV  string `name:"csv" type:"path" help:"Write a CSV file a table into this folder too." placeholder:"DIR"`
	XLSX string `name:"xlsx" type:"path" help:"Write a workbook too, a sheet a table." placeholder:"FILE"`
}

func (o wasteReport) Run(c *call) error {
	return o.reading(c, func(v tracker.View, now time.Time) error {
		from, to, err := tracker.PeriodOf(v.Site().Location(), o.From, o.To, now)
		if err != nil {
			return err
		}
		r, err := tracker.WasteReport(c.ctx, v, from, to, now)
		if err != nil {
			return err
		}
		tables := present.Of(v, now).WasteTables(v.Site(), r)
		if o.CSV != "" {
			if err := writeCSV(o.CSV, tables); err != nil {
				return err
			}
		}
		if o.XLSX != "" {
			if err := writeWorkbook(o.XLSX, tables, present.WasteDefinitions()); err != nil {
				return err
			}
		}
		c.print(present.Of(v, now).WasteReport(v.Site(), r), present.WasteText(v.Site(), r, now))
		return nil
	})
}
