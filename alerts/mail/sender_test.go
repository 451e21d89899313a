package mail_test

import (
	"context"
	"errors"
	"log/slog"
	"net"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/alerts"
	"vialward/alerts/mail"
	"vialward/alerts/mail/mailtest"
)

const (
	alice = "alice@pharmacy.example"
	bob   = "bob@pharmacy.example"
)

func plain(p *mailtest.Peer) mail.Relay {
	return mail.Relay{Addr: "127.0.0.1:25", TLS: mail.None, From: "vialward <vialward@pharmacy.example>", Hello: "vialward.pharmacy.example", Dial: p.Dial}
}

// carry runs a sender on a clock of the test's own until the rows are as wanted, and answers them.
func carry(t *testing.T, p *mailtest.Peer, o *mailtest.Outbox, r mail.Relay, wanted func([]alerts.Row) bool) []alerts.Row {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	s := &mail.Sender{Outbox: o, Relay: r, Log: slog.New(slog.DiscardHandler)}
	ended := make(chan error, 1)
	go func() { ended <- s.Run(ctx) }()
	patience, done := context.WithTimeout(ctx, 48*time.Hour) // of the test's clock
	defer done()
	err := o.Until(patience, wanted)
	cancel()
	p.Close()
	require.NoError(t, <-ended)
	require.NoError(t, err, "rows: %+v", o.Rows())
	return o.Rows()
}

func all(s alerts.State) func([]alerts.Row) bool {
	return func(rows []alerts.Row) bool {
		for _, r := range rows {
			if r.State != s {
				return false
			}
		}
		return true
	}
}

// tried says that every row has ended or waits with a reason.
func tried(rows []alerts.Row) bool {
	for _, r := range rows {
		if r.State == alerts.Claimed || r.State == alerts.Waiting && r.LastError == "" {
			return false
		}
	}
	return true
}

// Every way a relay can misbehave, and where the row ends. first is the peer's first connection; later ones are good.
func TestBadRelay(t *testing.T) {
	for _, c := range []struct {
		what   string
		first  mailtest.Script
		reason string // of the first attempt; "" = it needed none
		copies int    // taken by the peer until our row was accepted
	}{
		{"takes it", mailtest.Script{}, "", 1},
		{"421 at the greeting", mailtest.Script{Greeting: "421 4.3.2 busy"}, "session: the relay said 421 4.3.2 busy", 1},
		{"554 at the greeting", mailtest.Script{Greeting: "554 not here"}, "session: the relay said 554 not here", 1},
		{"not SMTP", mailtest.Script{Greeting: "2hello"}, "session: ", 1},
		{"sender refused", mailtest.Script{Mail: "550 5.7.1 who are you"}, "sender: the relay said 550 5.7.1 who are you", 1},
		{"450 for the recipient", mailtest.Script{Rcpt: func(string) string { return "450 4.2.1 later" }}, "recipient: the relay said 450 4.2.1 later", 1},
		{"421 for the recipient", mailtest.Script{Rcpt: func(string) string { return "421 closing" }}, "recipient: the relay said 421 closing", 1},
		{"451 to DATA", mailtest.Script{Data: "451 later"}, "message: the relay said 451 later", 1},
		{"452 to the message", mailtest.Script{Dot: "452 4.3.1 full"}, "message: the relay said 452 4.3.1 full", 1},
		{"does not read the body", mailtest.Script{HangInData: true}, "message: no answer in time", 1},
		{"takes it and hangs", mailtest.Script{HangAfter: true}, "message: no answer in time", 2},
		{"takes it and drops", mailtest.Script{DropAfter: true}, "message: EOF", 2},
		{"an unknown answer", mailtest.Script{Dot: "299 perhaps"}, "message: the relay said 299 perhaps", 2},
		{"angry goodbye", mailtest.Script{Quit: "500 never come back"}, "", 1},
		{"no goodbye", mailtest.Script{DropAtQuit: true}, "", 1},
	} {
		t.Run(c.what, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				p := mailtest.NewPeer(c.first, mailtest.Script{})
				long := mailtest.Sample(1, alice)
				long.HTML = strings.Repeat("<p>shelf A 4</p>\n", 1000) // more than any buffer on the way holds
				o := mailtest.NewOutbox(long)
				reason := ""
				rows := carry(t, p, o, plain(p), func(rows []alerts.Row) bool {
					if rows[0].State == alerts.Waiting && rows[0].LastError != "" {
						reason = rows[0].LastError
					}
					return rows[0].State == alerts.Accepted
				})
				require.Contains(t, reason, c.reason)
				require.Equal(t, c.reason == "", reason == "", reason)
				require.Equal(t, c.copies, p.Copies(rows[0].MessageID), "copies, all with one Message-ID")
				require.Equal(t, "250 2.0.0 queued as 1", rows[0].Answer)
			})
		})
	}
}

// A mailbox that is refused for good fails, is shown, and holds up nobody.
func TestOneOfTwoRefused(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := mailtest.NewPeer(mailtest.Script{Rcpt: func(to string) string {
			if to == alice {
				return "550 5.1.1 no such mailbox"
			}
			return ""
		}})
		o := mailtest.NewOutbox(mailtest.Sample(1, alice), mailtest.Sample(1, bob))
		start := time.Now()
		rows := carry(t, p, o, plain(p), func(rows []alerts.Row) bool {
			return rows[0].State == alerts.Failed && rows[1].State == alerts.Accepted
		})
		require.Zero(t, time.Since(start), "neither waited")
		require.Equal(t, "relay 127.0.0.1:25, at recipient: the relay said 550 5.1.1 no such mailbox", rows[0].LastError)
		require.Equal(t, 1, p.Connections(), "both over one connection")
		require.Zero(t, p.Copies(rows[0].MessageID))
	})
}

func TestAMessageRefusedForGoodFails(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := mailtest.NewPeer(mailtest.Script{Dot: "554 5.6.0 not this"})
		rows := carry(t, p, mailtest.NewOutbox(mailtest.Sample(1, alice)), plain(p), all(alerts.Failed))
		require.Contains(t, rows[0].LastError, "554 5.6.0 not this")
	})
}

// An address that cannot be one fails without troubling the relay, and in words.
func TestAddressesNoRelayTakes(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := mailtest.NewPeer()
		rows := carry(t, p, mailtest.NewOutbox(mailtest.Sample(1, "nobody"), mailtest.Sample(2, "köhler@pharmacy.example")), plain(p), all(alerts.Failed))
		require.Contains(t, rows[0].LastError, `"nobody" is not a mail address`)
		require.Contains(t, rows[1].LastError, "SMTPUTF8")
		require.Empty(t, p.Taken())
	})
	synctest.Test(t, func(t *testing.T) {
		p := mailtest.NewPeer(mailtest.Script{UTF8: true})
		carry(t, p, mailtest.NewOutbox(mailtest.Sample(1, "köhler@pharmacy.example")), plain(p), all(alerts.Accepted))
		require.Len(t, p.Taken(), 1)
	})
}

// A relay down for a day: every row waits with its reason, tries stay bounded, and all of it goes out soon after.
func TestRelayDownForADay(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := mailtest.NewPeer()
		r := plain(p)
		back := time.Now().Add(24 * time.Hour)
		var tries atomic.Int32
		r.Dial = func(ctx context.Context, network, addr string) (net.Conn, error) {
			if time.Now().Before(back) {
				tries.Add(1)
				return nil, errors.New("connection refused")
			}
			return p.Dial(ctx, network, addr)
		}
		o := mailtest.NewOutbox()
		for n := range 100 {
			o.Put(mailtest.Sample(n, alice))
		}
		said := false
		rows := carry(t, p, o, r, func(rows []alerts.Row) bool {
			said = said || tried(rows) && time.Now().Before(back) && all(alerts.Waiting)(rows)
			return all(alerts.Accepted)(rows)
		})
		require.True(t, said, "meanwhile every row waited with its reason")
		require.Less(t, tries.Load(), int32(24*60*5), "it did not hammer a relay that is down")
		require.Less(t, time.Since(back), 2*time.Minute, "it was quick once the relay was back")
		for _, r := range rows {
			require.Equal(t, 1, p.Copies(r.MessageID))
		}
	})
}

// A relay that ends a connection after a few mails delays none of them.
func TestAConnectionThatEndedIsNotTheMailsFault(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := mailtest.NewPeer(mailtest.Script{CloseSecond: true})
		o := mailtest.NewOutbox(mailtest.Sample(1, alice), mailtest.Sample(2, alice), mailtest.Sample(3, alice))
		start := time.Now()
		rows := carry(t, p, o, plain(p), all(alerts.Accepted))
		require.Zero(t, time.Since(start))
		for _, r := range rows {
			require.Equal(t, 1, r.Attempt)
			require.Equal(t, 1, p.Copies(r.MessageID))
		}
	})
}

// Once a message is out whole, a lost answer is never met by sending it again on the spot: it waits, and says why.
func TestALostAnswerIsNotHurried(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := mailtest.NewPeer(mailtest.Script{DropSecond: true}, mailtest.Script{})
		rows := carry(t, p, mailtest.NewOutbox(mailtest.Sample(1, alice), mailtest.Sample(2, alice)), plain(p), all(alerts.Accepted))
		require.Equal(t, 1, rows[0].Attempt)
		require.Equal(t, 2, rows[1].Attempt)
		require.Equal(t, 2, p.Copies(rows[1].MessageID))
	})
}

// However many rows are due while the relay is down, each soon says why it waits.
func TestManyRowsWhileTheRelayIsDown(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := mailtest.NewPeer(mailtest.Script{Greeting: "421 down"})
		o := mailtest.NewOutbox()
		for n := range 500 {
			o.Put(mailtest.Sample(n, alice))
		}
		start := time.Now()
		carry(t, p, o, plain(p), tried)
		require.Less(t, time.Since(start), 2*time.Second)
		require.LessOrEqual(t, p.Connections(), 4, "without asking the relay for each")
	})
}

// A relay that chokes on one mail holds up the others for no longer than that mail's time, and half of them not at all.
func TestOneHangingMailDoesNotStopTheRest(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := mailtest.NewPeer(mailtest.Script{HangInData: true}, mailtest.Script{})
		o := mailtest.NewOutbox()
		for n := range 60 {
			o.Put(mailtest.Sample(n, alice))
		}
		start := time.Now()
		carry(t, p, o, plain(p), all(alerts.Accepted))
		require.Less(t, time.Since(start), time.Minute)
	})
}

// The database is away when the relay has answered: nothing is lost and nothing is sent twice.
func TestAnAnswerTheOutboxCannotHear(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o := mailtest.NewOutbox(mailtest.Sample(1, alice))
		away := errors.New("the database is away")
		p := mailtest.NewPeer(mailtest.Script{Rcpt: func(string) string { o.Break(away); return "" }})
		time.AfterFunc(10*time.Minute, func() { o.Break(nil) }) // longer than the lease, so the row is claimed again
		rows := carry(t, p, o, plain(p), all(alerts.Accepted))
		require.Equal(t, 1, p.Copies(rows[0].MessageID))
		require.Equal(t, "250 2.0.0 queued as 1", rows[0].Answer)
	})
}

// Stopping: a mail whose body is out is waited for, one not yet out is given back at once, and neither goes twice.
func TestStopping(t *testing.T) {
	for what, c := range map[string]struct {
		script mailtest.Script
		state  alerts.State
		within time.Duration
	}{
		"before the body": {mailtest.Script{HangInData: true}, alerts.Waiting, time.Second},
		"after the body":  {mailtest.Script{HangAfter: true}, alerts.Waiting, 31 * time.Second},
	} {
		t.Run(what, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				p := mailtest.NewPeer(c.script)
				defer p.Close()
				long := mailtest.Sample(1, alice)
				long.HTML = strings.Repeat("<p>shelf A 4</p>\n", 1000) // more than any buffer on the way holds
				o := mailtest.NewOutbox(long, mailtest.Sample(2, alice))
				ctx, cancel := context.WithCancel(t.Context())
				ended := make(chan error, 1)
				go func() {
					ended <- (&mail.Sender{Outbox: o, Relay: plain(p), Log: slog.New(slog.DiscardHandler), Connections: 1}).Run(ctx)
				}()
				synctest.Wait() // everything hangs
				require.Equal(t, alerts.Claimed, o.Rows()[0].State)
				start := time.Now()
				cancel()
				require.NoError(t, <-ended)
				require.LessOrEqual(t, time.Since(start), c.within)
				for _, r := range o.Rows() {
					require.Equal(t, c.state, r.State)
				}
			})
		})
	}
}

// Two senders on one outbox share the work and send nothing twice.
func TestTwoSenders(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := mailtest.NewPeer()
		o := mailtest.NewOutbox()
		for n := range 200 {
			o.Put(mailtest.Sample(n, alice))
		}
		ctx, cancel := context.WithCancel(t.Context())
		ended := make(chan error, 1)
		go func() {
			ended <- (&mail.Sender{Outbox: o, Relay: plain(p), Log: slog.New(slog.DiscardHandler)}).Run(ctx)
		}()
		rows := carry(t, p, o, plain(p), all(alerts.Accepted))
		cancel()
		require.NoError(t, <-ended)
		for _, r := range rows {
			require.Equal(t, 1, p.Copies(r.MessageID))
		}
		require.Len(t, p.Taken(), 200)
	})
}

// A relay with a limit gets the text alone where text and HTML are too much, and refuses what is still too large.
func TestSizeLimit(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := mailtest.NewPeer(mailtest.Script{Size: 4000})
		big, bigger := mailtest.Sample(1, alice), mailtest.Sample(2, alice)
		big.HTML = strings.Repeat("<p>shelf A 4</p>\n", 1000)
		bigger.Text = strings.Repeat("shelf A 4\n", 1000)
		rows := carry(t, p, mailtest.NewOutbox(big, bigger), plain(p), tried)
		require.Equal(t, alerts.Accepted, rows[0].State)
		require.NotContains(t, p.Taken()[0].Data, "text/html")
		require.Contains(t, p.Taken()[0].Data, "Go there.")
		require.Equal(t, alerts.Failed, rows[1].State)
		require.Contains(t, rows[1].LastError, "552 5.3.4 too large")
	})
}

func TestMemoryOutboxKeepsTheContract(t *testing.T) {
	mailtest.Contract(t, func(*testing.T) mailtest.Store { return mailtest.NewOutbox() })
}
