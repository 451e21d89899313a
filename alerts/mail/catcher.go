package mail

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"log"
	"net"
	netmail "net/mail"
	"strings"
	"sync"
	"time"

	"github.com/emersion/go-message"
	"github.com/emersion/go-smtp"
)

// Mail is one message as it was caught.
type Mail struct {
	From       string // envelope
	To         string // envelope; a message for two arrives as two
	Subject    string // decoded
	At         time.Time
	Text, HTML string // decoded, line ends as \n
	MessageID  string // without angle brackets
	References string // likewise; "" = begins a thread
	Raw        []byte
}

// Catcher is an SMTP server that keeps what it is sent and passes nothing on: the demo's mailbox.
type Catcher struct {
	server *smtp.Server
	listen net.Listener
	done   chan struct{}

	mu    sync.Mutex
	mails []Mail
}

// Limits of what a Catcher keeps: it lives as long as a demo does, in memory.
const (
	catcherMails = 10_000
	catcherBytes = 1 << 20
)

// NewCatcher listens on addr (port 0 = any), which must be on this machine: it asks nobody for a password. onMail, if
// not nil, is called for each mail before the sender gets its answer, by several goroutines at once.
func NewCatcher(addr string, onMail func(Mail)) (*Catcher, error) {
	host, _, err := net.SplitHostPort(addr)
	if err != nil || !loopback(host) {
		return nil, fmt.Errorf("catching mail on %q: only an address of this machine, such as 127.0.0.1:0", addr)
	}
	l, err := net.Listen("tcp", addr) //nolint:noctx // it is closed by Close
	if err != nil {
		return nil, fmt.Errorf("catching mail: %w", err)
	}
	c := &Catcher{listen: l, done: make(chan struct{})}
	c.server = smtp.NewServer(smtp.BackendFunc(func(*smtp.Conn) (smtp.Session, error) {
		return &catching{keep: c.keep, onMail: onMail}, nil
	}))
	c.server.Domain = "localhost"
	c.server.MaxMessageBytes = catcherBytes
	c.server.ReadTimeout = time.Minute
	c.server.WriteTimeout = time.Minute
	c.server.ErrorLog = log.New(io.Discard, "", 0) // broken connections are the sender's to report
	go func() {
		defer close(c.done)
		_ = c.server.Serve(l) // ends with Close
	}()
	return c, nil
}

// Addr is where it listens.
func (c *Catcher) Addr() string { return c.listen.Addr().String() }

// Mails caught so far, oldest first; the oldest are dropped beyond ten thousand.
func (c *Catcher) Mails() []Mail {
	c.mu.Lock()
	defer c.mu.Unlock()
	return append([]Mail(nil), c.mails...)
}

// Close stops listening and ends every connection.
func (c *Catcher) Close() error {
	err := c.server.Close()
	_ = c.listen.Close() // a Close before Serve had begun does not know the listener; a second time does no harm
	<-c.done
	if err != nil && !errors.Is(err, smtp.ErrServerClosed) {
		return fmt.Errorf("closing the mail catcher: %w", err)
	}
	return nil
}

func (c *Catcher) keep(m Mail) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if len(c.mails) >= catcherMails {
		c.mails = append(c.mails[:0:0], c.mails[1:]...)
	}
	c.mails = append(c.mails, m)
}

// catching is one connection's state.
type catching struct {
	keep   func(Mail)
	onMail func(Mail)
	from   string
	to     []string
}

func (s *catching) Reset()        { s.from, s.to = "", nil }
func (s *catching) Logout() error { return nil }

func (s *catching) Mail(from string, _ *smtp.MailOptions) error {
	s.from = from
	return nil
}

func (s *catching) Rcpt(to string, _ *smtp.RcptOptions) error {
	s.to = append(s.to, to)
	return nil
}

func (s *catching) Data(r io.Reader) error {
	raw, err := io.ReadAll(r)
	if err != nil {
		return err
	}
	m, err := Read(raw)
	if err != nil {
		return &smtp.SMTPError{Code: 554, EnhancedCode: smtp.EnhancedCode{5, 6, 0}, Message: "not a message: " + err.Error()}
	}
	m.From = s.from
	for _, to := range s.to {
		m.To = to
		s.keep(m)
		if s.onMail != nil {
			s.onMail(m)
		}
	}
	return nil
}

// Read takes a message apart: the text and HTML it holds, its subject and identifiers. From and To are the envelope's
// and stay empty.
func Read(raw []byte) (Mail, error) {
	m := Mail{Raw: raw}
	e, err := message.Read(bytes.NewReader(raw))
	if err != nil {
		return m, fmt.Errorf("reading a mail: %w", err)
	}
	if m.Subject, err = e.Header.Text("Subject"); err != nil {
		return m, fmt.Errorf("reading a mail's subject: %w", err)
	}
	if at, err := netmail.ParseDate(e.Header.Get("Date")); err == nil {
		m.At = at.UTC()
	}
	m.MessageID = strings.Trim(e.Header.Get("Message-Id"), "<> ")
	m.References = strings.Trim(e.Header.Get("References"), "<> ")
	err = e.Walk(func(_ []int, part *message.Entity, err error) error {
		if err != nil {
			return err
		}
		kind, _, _ := part.Header.ContentType()
		if kind != "text/plain" && kind != "text/html" {
			return nil
		}
		body, err := io.ReadAll(part.Body)
		if err != nil {
			return err
		}
		text := strings.ReplaceAll(string(body), "\r\n", "\n")
		if kind == "text/html" {
			m.HTML += text
		} else {
			m.Text += text
		}
		return nil
	})
	if err != nil {
		return m, fmt.Errorf("reading a mail's parts: %w", err)
	}
	return m, nil
}
