// Command vialward keeps prepared vials from the bench to the bin: see README.md.
package main

import (
	"context"
	"os"
	"os/signal"
	"syscall"
	_ "time/tzdata" // a machine without zone data must not guess a beyond-use date
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	os.Exit(run(ctx, os.Args[1:], os.Stdin, os.Stdout, os.Stderr)) //nolint:gocritic // run has drained everything by then
}
