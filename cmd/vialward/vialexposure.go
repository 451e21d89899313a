package main

import (
	"time"

	"vialward/cmd/vialward/internal/present"
	"vialward/tracker"
	"vialward/tracker/label"
	"vialward/tracker/stock"
)

type exposureOfVial struct {
	atSite
	Vial string `arg:"" help:"Vial code."`
	At   string `help:"Up to when (RFC 3339); now if left out." placeholder:"TIME"`
}

func (o exposureOfVial) Run(c *call) error {
	code, err := label.CheckCode(o.Vial)
	if err != nil {
		return usage("%w", err)
	}
	at, err := instant(o.At)
	if err != nil {
		return err
	}
	return o.reading(c, func(v tracker.View, now time.Time) error {
		if at.IsZero() {
			at = now
		}
		x, err := tracker.ExposureOf(c.ctx, v, code, at, now)
		if err != nil {
			return err
		}
		c.print(present.Of(v, now).Exposure(x), present.ExposureText(x, v.Site().Location())+stock.Caution+"\n")
		return nil
	})
}
