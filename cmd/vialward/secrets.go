package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"golang.org/x/term"

	"vialward/cmd/vialward/internal/config"
)

// secret is a password: of the file named, or asked for on the terminal without showing what is typed. A command line has
// no password in it: whoever lists processes would see it.
func (c *call) secret(file, flag, prompt string) (string, error) {
	if file != "" {
		s, err := config.ReadSecret(file, os.Getenv)
		if err != nil {
			return "", usage("%s: %w", flag, err)
		}
		return s.Reveal(), nil
	}
	tty, err := os.OpenFile("/dev/tty", os.O_RDWR, 0)
	if err != nil {
		return "", usage("there is no terminal to ask for the password on: name a file with it, %s FILE", flag)
	}
	defer tty.Close()
	return c.ask(tty, prompt)
}

// ask waits for a line that is not shown: the terminal is told so before the question stands there. However it ends, the
// terminal is given back as it was.
func (c *call) ask(tty *os.File, prompt string) (text string, err error) {
	fd := int(tty.Fd())
	before, err := term.MakeRaw(fd)
	if err != nil {
		return "", fmt.Errorf("ask for the password: %w", err)
	}
	defer func() { err = errors.Join(err, term.Restore(fd, before)) }()
	type line struct {
		text string
		err  error
	}
	typed := make(chan line, 1)
	go func() {
		text, err := term.NewTerminal(tty, "").ReadPassword(prompt + ": ")
		typed <- line{text, err}
	}()
	select {
	case l := <-typed:
		if errors.Is(l.err, io.EOF) { // Ctrl-C, Ctrl-D, or the terminal has gone
			return "", errors.New("no password was given, and nothing was done")
		}
		return l.text, l.err
	case <-c.ctx.Done():
		return "", c.ctx.Err()
	}
}

// newSecret is a password to be, typed twice where it is typed.
func (c *call) newSecret(file, prompt string) (string, error) {
	const flag = "--new-password-file"
	s, err := c.secret(file, flag, prompt)
	if err != nil || file != "" {
		return s, err
	}
	again, err := c.secret("", flag, strings.ToLower(prompt[:1])+prompt[1:]+", again")
	if err != nil {
		return "", err
	}
	if s != again {
		return "", usage("the two differ; nothing was changed")
	}
	return s, nil
}
