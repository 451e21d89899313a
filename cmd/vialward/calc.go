package main

import (
	"time"

	"vialward/cmd/vialward/internal/calc"
	"vialward/cmd/vialward/internal/config"
	"vialward/tracker/templog"
)

type calcCommands struct {
	Mkt      mktCommand      `cmd:"" may:"calculate" help:"Mean kinetic temperature, gaps and excursions of a log."`
	Bud      budCommand      `cmd:"" may:"calculate" help:"Beyond-use date: the earliest of all limits, and which one governs."`
	Mix      mixCommand      `cmd:"" may:"calculate" help:"Reconstitution, dilution and yield."`
	Exposure exposureCommand `cmd:"" may:"calculate" help:"What one vial met: its stays crossed with a temperature log."`
	Stock    stockCommand    `cmd:"" may:"calculate" help:"How many to prepare: expected left-over and shortage, and the size that costs least."`
}

// show prints a calculator's result and takes its exit code over.
func (c *call) show(r calc.Result, err error) error {
	if err != nil {
		return &exitError{exitUsage, err}
	}
	c.print(r.Document, r.Text)
	if c.exit == exitDone {
		c.exit = r.Exit
	}
	return nil
}

type mktCommand struct {
	File        string        `arg:"" help:"Temperature log, - for standard input."`
	Layout      string        `help:"Layout of the log (TOML); without one the plain form is read." type:"path"`
	Zone        string        `help:"Zone of the log's wall times, and of what is printed (IANA name or fixed offset)."`
	Unit        string        `help:"Unit of the log: Cel or [degF]." placeholder:"UNIT"`
	EqualWeight bool          `help:"Every reading counts the same, whatever the time between."`
	MaxGap      time.Duration `help:"Longest wait between readings that is bridged." default:"30m"`
}

func (m mktCommand) Run(c *call) error {
	f, err := c.open(m.File)
	if err != nil {
		return err
	}
	defer f.Close()
	o := calc.MktOptions{Unit: m.Unit, EqualWeight: m.EqualWeight, MaxGap: m.MaxGap}
	if m.Zone != "" {
		if o.Zone, err = config.Zone(m.Zone); err != nil {
			return usage("--zone: %w", err)
		}
	}
	if m.Layout != "" {
		var l templog.Layout
		if l, err = config.ReadLayout(m.Layout); err != nil {
			return err
		}
		o.Layout = &l
	}
	return c.show(calc.Mkt(f, o))
}

type budCommand struct {
	File string `arg:"" help:"JSON document, - for standard input."`
}

func (b budCommand) Run(c *call) error {
	f, err := c.open(b.File)
	if err != nil {
		return err
	}
	defer f.Close()
	return c.show(calc.Bud(f))
}

type mixCommand struct {
	File string `arg:"" help:"JSON document, - for standard input."`
}

func (m mixCommand) Run(c *call) error {
	f, err := c.open(m.File)
	if err != nil {
		return err
	}
	defer f.Close()
	return c.show(calc.Mix(f))
}

type exposureCommand struct {
	File   string        `arg:"" help:"JSON document, - for standard input."`
	Log    string        `arg:"" help:"Temperature log in the plain form, - for standard input."`
	MaxGap time.Duration `help:"Longest wait between readings that is bridged." default:"30m"`
}

func (x exposureCommand) Run(c *call) error {
	if x.File == "-" && x.Log == "-" {
		return usage("document and log cannot both come from standard input: give one of them as a file")
	}
	document, err := c.open(x.File)
	if err != nil {
		return err
	}
	defer document.Close()
	log, err := c.open(x.Log)
	if err != nil {
		return err
	}
	defer log.Close()
	return c.show(calc.Exposure(document, log, calc.ExposureOptions{MaxGap: x.MaxGap}))
}

type stockCommand struct {
	File string `arg:"" help:"JSON document, - for standard input."`
}

func (s stockCommand) Run(c *call) error {
	f, err := c.open(s.File)
	if err != nil {
		return err
	}
	defer f.Close()
	return c.show(calc.StockAdvice(f))
}
