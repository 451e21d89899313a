package app

import (
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"vialward/db"
	"vialward/tracker"
	"vialward/tracker/chain"
)

// Verify walks the record of one site or of all on a connection of its own. It needs no daemon, disturbs none, and
// migrates nothing: a record is looked at as it stands. What came of it is noted for metrics where that may be written.
func Verify(ctx context.Context, configFile string, stderr io.Writer, site string, heads []chain.Head, progress func(site string, events int64)) (all []tracker.Verification, err error) {
	b, err := Begin(configFile, stderr)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, b.Close()) }()
	if err := b.find(ctx); err != nil {
		return nil, err
	}
	all, err = db.Verify(ctx, b.dsn, db.VerifyOptions{Site: site, Heads: heads, Progress: progress})
	if err != nil {
		return nil, err
	}
	if err := noteVerified(ctx, b.dsn, all); err != nil {
		fmt.Fprintf(stderr, "vialward: metrics will not show this verification: %v\n", err)
	}
	return all, nil
}

func noteVerified(ctx context.Context, dsn string, all []tracker.Verification) error {
	store, err := db.Open(ctx, dsn)
	if err != nil {
		return err
	}
	defer store.Close()
	for _, v := range all {
		if err := store.SaveVerification(ctx, v, time.Now()); err != nil {
			return err
		}
	}
	return nil
}
