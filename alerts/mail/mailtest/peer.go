package mailtest

import (
	"bufio"
	"context"
	"crypto/tls"
	"encoding/base64"
	"fmt"
	"net"
	"slices"
	"strconv"
	"strings"
	"sync"
)

// Script is how a Peer treats one connection. The zero value is a relay that takes everything.
type Script struct {
	Greeting    string                 // "" = 220; a 421 or 5xx closes
	TLS         *tls.Config            // offered with STARTTLS; nil = not offered
	Implicit    bool                   // TLS from the first byte
	Chatter     bool                   // says more after STARTTLS's answer, in the clear
	User        string                 // AUTH PLAIN or LOGIN asked for; "" = not offered
	Password    string                 //
	Login       bool                   // AUTH LOGIN only
	UTF8        bool                   // SMTPUTF8 offered
	Size        int                    // SIZE offered and kept; 0 = none
	Mail        string                 // answer to MAIL; "" = 250
	Rcpt        func(to string) string // answer to RCPT; nil or "" = 250
	Data        string                 // answer to DATA; "" = 354
	HangInData  bool                   // stops reading after 354
	HangAfter   bool                   // takes the message and never answers
	DropAfter   bool                   // takes the message and closes instead of answering
	Dot         string                 // answer to the message; "" = 250
	Quit        string                 // answer to QUIT; "" = 221
	DropAtQuit  bool                   //
	CloseSecond bool                   // closes when the second mail of a connection begins
	DropSecond  bool                   // takes the second mail of a connection and closes instead of answering
}

// Taken is a message a Peer became responsible for, whether or not it managed to say so.
type Taken struct {
	From, To, Data, Hello string
	TLS                   bool
	User                  string
	Connection            int // counted from 1
}

// Peer is an SMTP relay played from a script: connection n gets script n, the last script also all later ones.
type Peer struct {
	scripts []Script
	stop    chan struct{}
	once    sync.Once

	mu          sync.Mutex
	connections int
	taken       []Taken
	hellos      []string
}

// NewPeer plays the scripts; without any it takes everything.
func NewPeer(scripts ...Script) *Peer {
	if len(scripts) == 0 {
		scripts = []Script{{}}
	}
	return &Peer{scripts: scripts, stop: make(chan struct{})}
}

// Close lets go of the connections that hang.
func (p *Peer) Close() { p.once.Do(func() { close(p.stop) }) }

// Dial answers an in-memory connection to the peer; for mail.Relay.Dial. It needs no sockets, so tests can run on a
// clock of their own.
func (p *Peer) Dial(context.Context, string, string) (net.Conn, error) {
	a, b := net.Pipe()
	go p.Serve(b)
	return a, nil
}

// Listen serves on a loopback port until the test ends, and answers its address.
func (p *Peer) Listen(cleanup func(func())) (string, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return "", fmt.Errorf("test peer: %w", err)
	}
	var all sync.WaitGroup
	var mu sync.Mutex
	var open []net.Conn
	all.Go(func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			mu.Lock()
			open = append(open, c)
			mu.Unlock()
			all.Go(func() { p.Serve(c) })
		}
	})
	cleanup(func() {
		p.Close()
		_ = l.Close()
		mu.Lock()
		for _, c := range open {
			_ = c.Close()
		}
		mu.Unlock()
		all.Wait()
	})
	return l.Addr().String(), nil
}

// Taken messages so far.
func (p *Peer) Taken() []Taken {
	p.mu.Lock()
	defer p.mu.Unlock()
	return slices.Clone(p.taken)
}

// Hellos are the names clients gave, in order.
func (p *Peer) Hellos() []string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return slices.Clone(p.hellos)
}

// Connections so far.
func (p *Peer) Connections() int {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.connections
}

// Copies of a message taken, by Message-ID.
func (p *Peer) Copies(id string) int {
	n := 0
	for _, t := range p.Taken() {
		if strings.Contains(t.Data, "<"+id+">") && strings.Contains(strings.ToLower(t.Data), "message-id: <"+strings.ToLower(id)+">") {
			n++
		}
	}
	return n
}

// Serve plays one connection to its end.
func (p *Peer) Serve(conn net.Conn) {
	defer func() { _ = conn.Close() }()
	p.mu.Lock()
	p.connections++
	n := p.connections
	p.mu.Unlock()
	d := &dialogue{peer: p, s: p.scripts[min(n, len(p.scripts))-1], conn: conn, n: n}
	if d.s.Implicit {
		d.secure()
	}
	d.in = bufio.NewReader(d.conn)
	d.run()
}

type dialogue struct {
	peer     *Peer
	s        Script
	conn     net.Conn
	in       *bufio.Reader
	n        int
	mails    int
	secured  bool
	user     string
	hello    string
	from, to string
}

func (d *dialogue) secure() {
	d.conn = tls.Server(d.conn, d.s.TLS)
	d.in = bufio.NewReader(d.conn)
	d.secured = true
}

func or(s, otherwise string) string {
	if s == "" {
		return otherwise
	}
	return s
}

func (d *dialogue) say(line string) bool {
	_, err := d.conn.Write([]byte(line + "\r\n"))
	return err == nil
}

func (d *dialogue) line() (string, bool) {
	l, err := d.in.ReadString('\n')
	return strings.TrimRight(l, "\r\n"), err == nil
}

func (d *dialogue) run() {
	greeting := or(d.s.Greeting, "220 peer.example ready")
	if !d.say(greeting) || !strings.HasPrefix(greeting, "2") {
		return
	}
	for {
		l, ok := d.line()
		if !ok || !d.command(l) {
			return
		}
	}
}

// command answers one line; false ends the connection.
func (d *dialogue) command(l string) bool {
	verb, rest, _ := strings.Cut(l, " ")
	switch strings.ToUpper(verb) {
	case "EHLO", "HELO":
		return d.greet(rest)
	case "STARTTLS":
		answer := "220 go on"
		if d.s.Chatter {
			answer += "\r\n250 said in the clear"
		}
		if !d.say(answer) {
			return false
		}
		d.secure()
		return true
	case "AUTH":
		return d.auth(rest)
	case "MAIL":
		d.mails++
		if d.s.CloseSecond && d.mails > 1 {
			return false
		}
		if d.s.User != "" && d.user == "" {
			return d.say("530 5.7.0 sign in first")
		}
		if size, ok := declared(rest); ok && d.s.Size > 0 && size > d.s.Size {
			return d.say("552 5.3.4 too large")
		}
		d.from = address(rest)
		answer := or(d.s.Mail, "250 ok")
		return d.say(answer) && !strings.HasPrefix(answer, "421")
	case "RCPT":
		d.to = address(rest)
		answer := "250 ok"
		if d.s.Rcpt != nil {
			answer = or(d.s.Rcpt(d.to), answer)
		}
		return d.say(answer) && !strings.HasPrefix(answer, "421")
	case "DATA":
		return d.data()
	case "RSET", "NOOP":
		return d.say("250 ok")
	case "QUIT":
		if !d.s.DropAtQuit {
			d.say(or(d.s.Quit, "221 bye"))
		}
		return false
	default:
		return d.say("500 what?")
	}
}

func (d *dialogue) greet(name string) bool {
	d.hello = name
	d.peer.mu.Lock()
	d.peer.hellos = append(d.peer.hellos, name)
	d.peer.mu.Unlock()
	lines := []string{"peer.example", "8BITMIME"}
	if d.s.TLS != nil && !d.secured {
		lines = append(lines, "STARTTLS")
	}
	if d.s.User != "" {
		mechanisms := "AUTH PLAIN LOGIN"
		if d.s.Login {
			mechanisms = "AUTH LOGIN"
		}
		lines = append(lines, mechanisms)
	}
	if d.s.Size > 0 {
		lines = append(lines, "SIZE "+strconv.Itoa(d.s.Size))
	}
	if d.s.UTF8 {
		lines = append(lines, "SMTPUTF8")
	}
	for i, l := range lines {
		sep := "-"
		if i == len(lines)-1 {
			sep = " "
		}
		if !d.say("250" + sep + l) {
			return false
		}
	}
	return true
}

func (d *dialogue) auth(rest string) bool {
	mechanism, initial, _ := strings.Cut(rest, " ")
	first, _ := base64.StdEncoding.DecodeString(initial)
	user, password := "", ""
	switch mechanism {
	case "PLAIN":
		parts := strings.Split(string(first), "\x00")
		if len(parts) == 3 {
			user, password = parts[1], parts[2]
		}
	case "LOGIN":
		if !d.say("334 " + base64.StdEncoding.EncodeToString([]byte("Password:"))) {
			return false
		}
		l, ok := d.line()
		if !ok {
			return false
		}
		second, _ := base64.StdEncoding.DecodeString(l)
		user, password = string(first), string(second)
	}
	if user != d.s.User || password != d.s.Password {
		return d.say("535 5.7.8 no")
	}
	d.user = user
	return d.say("235 2.7.0 welcome")
}

func (d *dialogue) data() bool {
	answer := or(d.s.Data, "354 go on")
	if !d.say(answer) {
		return false
	}
	if !strings.HasPrefix(answer, "3") {
		return !strings.HasPrefix(answer, "421")
	}
	if d.s.HangInData {
		<-d.peer.stop
		return false
	}
	var b strings.Builder
	for {
		l, ok := d.line()
		if !ok {
			return false
		}
		if l == "." {
			break
		}
		b.WriteString(strings.TrimPrefix(l, ".") + "\r\n")
	}
	if d.s.Size > 0 && b.Len() > d.s.Size {
		return d.say("552 5.3.4 too large")
	}
	answer = or(d.s.Dot, "250 2.0.0 queued as 1")
	if strings.HasPrefix(answer, "2") {
		d.peer.mu.Lock()
		d.peer.taken = append(d.peer.taken, Taken{From: d.from, To: d.to, Data: b.String(), Hello: d.hello, TLS: d.secured, User: d.user, Connection: d.n})
		d.peer.mu.Unlock()
	}
	switch {
	case d.s.HangAfter:
		<-d.peer.stop
		return false
	case d.s.DropAfter || d.s.DropSecond && d.mails > 1:
		return false
	}
	return d.say(answer) && !strings.HasPrefix(answer, "421")
}

// address inside the angle brackets of MAIL and RCPT.
func address(s string) string {
	_, s, _ = strings.Cut(s, "<")
	s, _, _ = strings.Cut(s, ">")
	return s
}

func declared(s string) (int, bool) {
	_, s, ok := strings.Cut(strings.ToUpper(s), "SIZE=")
	if !ok {
		return 0, false
	}
	s, _, _ = strings.Cut(s, " ")
	n, err := strconv.Atoi(s)
	return n, err == nil
}
