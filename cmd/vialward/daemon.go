package main

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"vialward/cmd/vialward/internal/app"
)

type daemonCommand struct{}

func (daemonCommand) Run(c *call) error {
	return app.Run(c.ctx, c.configFile, c.stdout, c.stderr)
}

type configCommand struct{}

func (configCommand) Run(c *call) error {
	b, err := app.Begin(c.configFile, c.stderr)
	if err != nil {
		return err
	}
	if c.json {
		c.print(b.Config.Settings(), "")
		return nil
	}
	return b.Config.Print(c.stdout)
}

type checkCommand struct{}

func (checkCommand) Run(c *call) error {
	ctx, cancel := context.WithTimeout(c.ctx, time.Minute)
	defer cancel()
	tried, err := app.Check(ctx, c.configFile, c.stderr)
	if err != nil {
		return err
	}
	var text strings.Builder
	var failed []error
	for _, t := range tried {
		word := "ok  "
		if !t.OK {
			word = "FAIL"
			failed = append(failed, fmt.Errorf("%s: %s", t.What, t.Say))
		}
		fmt.Fprintf(&text, "%s  %-22s %s\n", word, t.What, t.Say)
	}
	c.print(map[string]any{"checks": tried}, text.String())
	if len(failed) > 0 {
		return &exitError{exitFailed, errors.Join(failed...)}
	}
	return nil
}
