package main

import (
	"os"
	"path/filepath"

	"vialward/cmd/vialward/internal/app"
	"vialward/cmd/vialward/internal/config"
)

// demoCommand asks for no configuration: a visitor's first command must not need one.
type demoCommand struct {
	Port  int     `default:"8080" env:"PORT" help:"Port of the pages, on this machine only."`
	Speed float64 `default:"1" help:"How many times as fast as real time the demo's clock goes on."`
}

func (d demoCommand) Run(c *call) error {
	return app.Demo(c.ctx, app.DemoOptions{
		Port: d.Port, Speed: d.Speed, StateFolder: filepath.Join(config.StateFolder(os.Getenv), "demo"), Stdout: c.stdout, Stderr: c.stderr,
	})
}
