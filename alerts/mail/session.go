package mail

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"net"
	netmail "net/mail"
	"net/textproto"
	"os"
	"strings"

	"github.com/emersion/go-sasl"
	"github.com/emersion/go-smtp"

	"vialward/alerts"
)

// fault is what went wrong in an exchange: at which stage, with which reply code (0 = none), in words.
type fault struct {
	at   alerts.Stage
	code int
	err  error
}

func (f *fault) Error() string { return string(f.at) + ": " + f.err.Error() }
func (f *fault) Unwrap() error { return f.err }

// failed makes a fault of an error; nil stays nil.
func failed(at alerts.Stage, err error) error {
	if err == nil {
		return nil
	}
	f := &fault{at: at, err: spoken(err)}
	var r *reply
	if errors.As(f.err, &r) {
		f.code = r.code
	}
	return f
}

// reply is what the relay said, with its enhanced code (RFC 3463), on one line.
type reply struct {
	code int
	text string
}

func (r *reply) Error() string { return fmt.Sprintf("the relay said %d %s", r.code, r.text) }

// spoken turns the libraries' errors that carry a reply into one; others stay as they are.
func spoken(err error) error {
	var line *textproto.Error
	if errors.As(err, &line) {
		return &reply{line.Code, oneLine(line.Msg)}
	}
	var r *smtp.SMTPError
	if !errors.As(err, &r) {
		return err
	}
	text := oneLine(r.Message)
	if e := r.EnhancedCode; e[0] > 0 {
		text = fmt.Sprintf("%d.%d.%d %s", e[0], e[1], e[2], text)
	}
	return &reply{r.Code, text}
}

func oneLine(s string) string { return strings.Join(strings.Fields(s), " ") }

// Trouble that is not a reply of the relay.
var (
	errNoTLS   = errors.New("the relay does not offer STARTTLS; nothing is sent in the clear")
	errEarly   = errors.New("the relay sent something between STARTTLS and TLS; somebody may be in between")
	errNoAuth  = errors.New("the relay offers neither AUTH PLAIN nor AUTH LOGIN, and a user name is set")
	errNoUTF8  = errors.New("this address is not ASCII, and the relay does not take such addresses (SMTPUTF8)")
	errStopped = errors.New("the program was stopped before the mail was handed over")
)

// session is one connection, greeted, protected and signed in; several mails go over it, one after the other.
type session struct {
	conn net.Conn
	c    *smtp.Client
	sent int
}

// open connects. When ctx ends the connection is closed under whatever waits on it: a deadline set on it would be wiped
// by the library's next command.
func open(ctx context.Context, r Relay) (*session, error) {
	conn, err := r.dial(ctx)
	if err != nil {
		return nil, failed(alerts.AtSession, err)
	}
	stop := context.AfterFunc(ctx, func() { conn.Close() }) //nolint:errcheck,gosec // it is being given up
	defer stop()
	s, err := greet(ctx, r, conn)
	if err != nil {
		conn.Close() //nolint:errcheck,gosec // the first error is the one that counts
		return nil, failed(alerts.AtSession, timely(ctx, err))
	}
	return s, nil
}

func greet(ctx context.Context, r Relay, conn net.Conn) (*session, error) {
	switch r.TLS {
	case Implicit:
		t := tls.Client(conn, r.tls())
		if err := t.HandshakeContext(ctx); err != nil {
			return nil, fmt.Errorf("TLS: %w", err)
		}
		conn = t
	case STARTTLS:
		t, err := startTLS(ctx, r, conn)
		if err != nil {
			return nil, err
		}
		conn = t
	case None:
	}
	s := &session{conn: conn, c: smtp.NewClient(conn)}
	s.c.CommandTimeout, s.c.SubmissionTimeout = r.timeout(), r.timeout()
	hello := r.Hello
	if hello == "" {
		hello = "localhost"
	}
	if err := s.c.Hello(hello); err != nil {
		return nil, err
	}
	return s, s.signIn(r)
}

// startTLS speaks the plain part of the session itself: the library would greet as "localhost", which relays that check
// names refuse. What it answers is a connection that begins, as the library expects, with a greeting.
func startTLS(ctx context.Context, r Relay, conn net.Conn) (net.Conn, error) {
	p := textproto.NewConn(conn)
	if _, _, err := p.ReadResponse(220); err != nil {
		return nil, err
	}
	hello := r.Hello
	if hello == "" {
		hello = "localhost"
	}
	offered, err := command(p, 250, "EHLO "+hello)
	if err != nil {
		return nil, err
	}
	if !strings.Contains("\n"+strings.ToUpper(offered)+"\n", "\nSTARTTLS\n") {
		return nil, errNoTLS
	}
	if _, err := command(p, 220, "STARTTLS"); err != nil {
		return nil, err
	}
	if p.R.Buffered() > 0 { // RFC 3207, 6: what came in the clear must not count as said under TLS
		return nil, errEarly
	}
	t := tls.Client(conn, r.tls())
	if err := t.HandshakeContext(ctx); err != nil {
		return nil, fmt.Errorf("TLS: %w", err)
	}
	return &greeted{Conn: t, r: io.MultiReader(strings.NewReader("220 under TLS\r\n"), t)}, nil
}

func command(p *textproto.Conn, want int, line string) (string, error) {
	if err := p.PrintfLine("%s", line); err != nil {
		return "", err
	}
	_, text, err := p.ReadResponse(want)
	return text, err
}

// greeted is a connection that has been greeted already and says so once more.
type greeted struct {
	net.Conn
	r io.Reader
}

func (g *greeted) Read(b []byte) (int, error) { return g.r.Read(b) }

func (s *session) signIn(r Relay) error {
	if r.Username == "" {
		return nil
	}
	var a sasl.Client
	switch {
	case s.c.SupportsAuth(sasl.Plain):
		a = sasl.NewPlainClient("", r.Username, r.Password)
	case s.c.SupportsAuth(sasl.Login):
		a = sasl.NewLoginClient(r.Username, r.Password)
	default:
		return errNoAuth
	}
	if err := s.c.Auth(a); err != nil {
		return fmt.Errorf("signing in as %s: %w", r.Username, spoken(err))
	}
	return nil
}

// deliver hands one mail over and answers the relay's line. Accepted means exactly this: the reply to the final dot was
// read and was 250. timeout bounds the whole; stopping breaks it off as long as the final dot is not sent, after which
// the answer is waited for, since the relay may already be responsible.
func (s *session) deliver(timeout, stopping context.Context, r Relay, row alerts.Row) (string, error) {
	giveUp := context.AfterFunc(timeout, func() { s.conn.Close() }) //nolint:errcheck,gosec // it is being given up
	defer giveUp()
	breakOff := context.AfterFunc(stopping, func() { s.conn.Close() }) //nolint:errcheck,gosec // likewise
	defer breakOff()
	why := func(at alerts.Stage, err error) error {
		if stopping.Err() != nil && timeout.Err() == nil {
			err = errStopped
		}
		return failed(at, timely(timeout, err))
	}

	from, _ := netmail.ParseAddress(r.From) // checked by Relay.Check
	msg, err := s.fit(row, r.From)
	if err != nil {
		return "", &fault{at: alerts.AtMessage, code: 554, err: err} // no relay will ever take it
	}
	opts := &smtp.MailOptions{Size: int64(len(msg))}
	if !ascii(row.To) || !ascii(from.Address) {
		if ok, _ := s.c.Extension("SMTPUTF8"); !ok {
			return "", &fault{at: alerts.AtRecipient, code: 553, err: errNoUTF8} // 553: mailbox name not allowed
		}
		opts.UTF8 = true
	}
	if err := s.c.Mail(from.Address, opts); err != nil {
		return "", why(alerts.AtSender, err)
	}
	if err := s.c.Rcpt(row.To, nil); err != nil {
		return "", why(alerts.AtRecipient, err)
	}
	w, err := s.c.Data()
	if err != nil {
		return "", why(alerts.AtMessage, err)
	}
	if _, err := w.Write(msg); err != nil {
		return "", why(alerts.AtMessage, err)
	}
	if !breakOff() {
		return "", why(alerts.AtMessage, errStopped) // the final dot is not sent: nothing was accepted
	}
	answer, err := w.CloseWithResponse()
	if err != nil {
		return "", failed(alerts.AtMessage, timely(timeout, err))
	}
	s.sent++
	return "250 " + oneLine(answer.StatusText), nil
}

// fit builds the message, without its HTML part where the relay's limit asks for it.
func (s *session) fit(row alerts.Row, from string) ([]byte, error) {
	msg, err := Build(row, from, false)
	if err != nil {
		return nil, err
	}
	if limit, ok := s.c.MaxMessageSize(); ok && limit > 0 && len(msg) > limit {
		return Build(row, from, true)
	}
	return msg, nil
}

// reset readies the connection for the next mail after a refusal.
func (s *session) reset(ctx context.Context) error {
	stop := context.AfterFunc(ctx, func() { s.conn.Close() }) //nolint:errcheck,gosec // it is being given up
	defer stop()
	return s.c.Reset()
}

// quit says goodbye. What the relay answers does not matter: whatever it accepted, it accepted.
func (s *session) quit(ctx context.Context) {
	stop := context.AfterFunc(ctx, func() { s.conn.Close() }) //nolint:errcheck,gosec // it is being given up
	defer stop()
	_ = s.c.Quit()
	_ = s.conn.Close()
}

var errLate = errors.New("no answer in time")

// timely says "no answer in time" instead of "use of closed connection" or "i/o timeout" where time ran out.
func timely(ctx context.Context, err error) error {
	if err != nil && (ctx.Err() != nil || errors.Is(err, os.ErrDeadlineExceeded)) {
		return errLate
	}
	return err
}

func ascii(s string) bool {
	return !strings.ContainsFunc(s, func(r rune) bool { return r > 127 })
}
