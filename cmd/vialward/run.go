package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"

	"github.com/alecthomas/kong"

	"vialward/cmd/vialward/internal/config"
	"vialward/tracker"
	"vialward/tracker/access"
	"vialward/tracker/stock"
	"vialward/tracker/templog"
)

// Exit codes people script against.
const (
	exitDone    = 0
	exitFailed  = 1
	exitUsage   = 2 // wrong usage, or input that is not the document described
	exitRefused = 3 // done, but some of the data was refused
)

// commands is the command line. Each command is a struct with Run(*call) error in the file of its family; its tag "may"
// names the operation it asks for, and with that whose roles decide who may.
type commands struct {
	Config string `help:"Configuration file (TOML)." type:"path" env:"VIALWARD_CONFIG" placeholder:"FILE"`
	JSON   bool   `help:"Print results as one JSON document." name:"json"`

	Calc    calcCommands    `cmd:"" help:"Calculators: no database, no configuration."`
	Site    siteCommands    `cmd:"" help:"Set up a site from a file, or print it back."`
	Batch   batchCommands   `cmd:"" help:"Prepare batches and take over stock."`
	Vial    vialCommands    `cmd:"" help:"Record what happens to vials."`
	Trace   traceCommands   `cmd:"" help:"From a component lot to all that was made from it."`
	Stock   stockCommands   `cmd:"" help:"Demand that stock did not meet."`
	Ingest  ingestCommand   `cmd:"" may:"write-readings" help:"Take in temperature logs."`
	Intake  intakeCommands  `cmd:"" help:"List or withdraw what was taken in."`
	Sweep   sweepCommands   `cmd:"" help:"Print, list or confirm sweep lists."`
	Case    caseCommands    `cmd:"" help:"Show excursions and release stock."`
	Unit    unitCommands    `cmd:"" help:"Planned work and preparation areas."`
	Person  personCommands  `cmd:"" help:"People: roles, competencies, passwords."`
	Session sessionCommands `cmd:"" help:"Where people are signed in."`
	Token   tokenCommands   `cmd:"" help:"API tokens."`
	Report  reportCommands  `cmd:"" help:"Reports of a period."`
	Record  recordCommands  `cmd:"" help:"Look at the record and recount it."`
	Daemon  daemonCommand   `cmd:"" may:"operate" help:"Run the daemon."`
	Check   checkCommand    `cmd:"" may:"operate" help:"Try configuration, database, relay, zones and clock."`
	Demo    demoCommand     `cmd:"" may:"operate" help:"Show the invented site on a morning of its own."`
	Show    configCommand   `cmd:"" may:"operate" name:"config" help:"Print the configuration in force, secrets masked."`
}

// call is what every command gets.
type call struct {
	ctx            context.Context
	stdin          io.Reader
	stdout, stderr io.Writer
	json           bool
	configFile     string
	op             access.Operation // what is asked for
	exit           int              // set by a command that is done but refused something
}

// exitError ends the program with a code; its message is for people.
type exitError struct {
	code int
	err  error
}

func (e *exitError) Error() string { return e.err.Error() }
func (e *exitError) Unwrap() error { return e.err }

func usage(format string, args ...any) error {
	return &exitError{exitUsage, fmt.Errorf(format, args...)}
}

// run is the whole program: tests start it with their own streams.
func run(ctx context.Context, args []string, stdin io.Reader, stdout, stderr io.Writer) int {
	var cmd commands
	exited := -1
	parser, err := kong.New(&cmd,
		kong.Name("vialward"),
		kong.Description("Keeps prepared sterile vials, their beyond-use dates and their temperatures."),
		kong.UsageOnError(), kong.Writers(stdout, stderr),
		kong.Exit(func(code int) { exited = code }),
		kong.ConfigureHelp(kong.HelpOptions{Compact: true, NoExpandSubcommands: true}),
	)
	if err != nil {
		fmt.Fprintln(stderr, "vialward:", err)
		return exitFailed
	}
	kctx, err := parser.Parse(args)
	if exited >= 0 { // --help printed what was asked for
		return exited
	}
	if err != nil {
		fmt.Fprintf(stderr, "vialward: %v. Try: vialward --help\n", err)
		return exitUsage
	}
	c := &call{ctx: ctx, stdin: stdin, stdout: stdout, stderr: stderr, json: cmd.JSON, configFile: cmd.Config, op: operationOf(kctx.Selected())}
	if err := kctx.Run(c); err != nil {
		return c.fail(err)
	}
	return c.exit
}

// operationOf is what a command asks for. One that does not say asks for what nobody may.
func operationOf(command *kong.Node) access.Operation {
	return access.Operation(command.Tag.Get("may"))
}

// fail says what went wrong and picks the exit code; the one place where an error of a command ends.
func (c *call) fail(err error) int {
	var exit *exitError
	var refusal *stock.Refusal
	var document *templog.DocumentError
	var mistakes config.Problems
	code := exitFailed
	switch {
	case errors.As(err, &exit):
		code = exit.code
	case errors.As(err, &document), errors.As(err, &mistakes):
		code = exitUsage
	}
	if errors.Is(err, tracker.ErrNotFound) && !errors.As(err, &refusal) {
		refusal = stock.Refuse("not_found", "", "%v", err)
	}
	if c.json && (refusal != nil || errors.As(err, &refusal)) {
		c.print(struct {
			Refused []*stock.Refusal `json:"refused"`
		}{[]*stock.Refusal{refusal}}, "")
	}
	fmt.Fprintln(c.stderr, "vialward:", err)
	return code
}

// print writes a result: one JSON document with --json, else its text.
func (c *call) print(document any, text string) {
	if !c.json {
		fmt.Fprint(c.stdout, text)
		return
	}
	e := json.NewEncoder(c.stdout)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	if err := e.Encode(document); err != nil {
		fmt.Fprintln(c.stderr, "vialward: print the result:", err)
		c.exit = exitFailed
	}
}

// open reads a file, or standard input for "-".
func (c *call) open(name string) (io.ReadCloser, error) {
	if name == "-" {
		return io.NopCloser(c.stdin), nil
	}
	f, err := os.Open(name)
	if err != nil {
		return nil, usage("%w", err) // which file, and why
	}
	return f, nil
}
