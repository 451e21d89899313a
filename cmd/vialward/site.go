package main

import (
	"errors"
	"fmt"
	"io"
	"strings"

	"vialward/cmd/vialward/internal/app"
	"vialward/cmd/vialward/internal/config"
	"vialward/cmd/vialward/internal/present"
	"vialward/tracker"
)

type siteCommands struct {
	Load siteLoad `cmd:"" may:"load-site" help:"Load a site file: all of it, or nothing and every mistake."`
	Show siteShow `cmd:"" may:"read" help:"Print the site as loaded, in the same form."`
	List siteList `cmd:"" may:"read" help:"List the sites."`
}

type siteLoad struct {
	File         string `arg:"" help:"Site file (TOML), - for standard input."`
	As           string `help:"Person who loads it, by code, and proves it by their password; nobody the first time." placeholder:"PERSON"`
	PasswordFile string `type:"path" placeholder:"FILE" help:"File with that password, readable by its owner only; without it the password is asked for."`
}

func (l siteLoad) Run(c *call) (err error) {
	f, err := c.open(l.File)
	if err != nil {
		return err
	}
	text, err := io.ReadAll(io.LimitReader(f, 16<<20))
	if err = errors.Join(err, f.Close()); err != nil {
		return fmt.Errorf("read %s: %w", l.File, err)
	}
	site, problems := config.ReadSite(text)
	if config.Blocked(problems) {
		return &exitError{exitUsage, fmt.Errorf("site file %s, nothing loaded: %w", l.File, config.Problems(problems))}
	}
	for _, p := range problems {
		fmt.Fprintln(c.stderr, "vialward: worth a look:", p)
	}
	b, err := c.base()
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, b.Close()) }()
	who, err := l.actor(c, b, site.Code)
	if err != nil {
		return err
	}
	changes, err := b.Tracker.LoadSite(c.ctx, who, site)
	if err != nil {
		return err
	}
	out := struct {
		Site    string   `json:"site"`
		Changes []string `json:"changes"`
	}{site.Code, changes}
	if out.Changes == nil {
		out.Changes = []string{}
	}
	words := "nothing changed\n"
	if len(changes) > 0 {
		words = strings.Join(changes, "\n") + "\n"
	}
	c.print(out, words)
	return nil
}

// actor is the person named, once the site has people; whoever is on the machine loads it the first time.
func (l siteLoad) actor(c *call, b *app.Base, site string) (tracker.Actor, error) {
	if l.As == "" {
		return account(), nil
	}
	who, err := person{As: l.As, PasswordFile: l.PasswordFile}.prove(c, b.Tracker, site)
	if errors.Is(err, tracker.ErrNotFound) { // there is no such site yet, and nobody of it
		return account(), nil
	}
	return who, err
}

type siteShow struct{ atSite }

func (s siteShow) Run(c *call) error {
	return s.with(c, func(b *app.Base, code string) error {
		site, err := b.Tracker.ShowSite(c.ctx, code)
		if err != nil {
			return err
		}
		document, err := present.Site(&site)
		if err != nil {
			return err
		}
		c.print(document, string(config.WriteSite(site)))
		return nil
	})
}

type siteList struct{}

func (siteList) Run(c *call) (err error) {
	b, err := c.base()
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, b.Close()) }()
	sites, err := b.Tracker.Store.Sites(c.ctx)
	if err != nil {
		return err
	}
	if sites == nil {
		sites = []string{}
	}
	c.print(map[string][]string{"sites": sites}, strings.Join(append(sites, ""), "\n"))
	return nil
}
