package mail_test

import (
	"bytes"
	"context"
	"log/slog"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"vialward/alerts"
	"vialward/alerts/mail"
	"vialward/alerts/mail/mailtest"
)

// eximConfig is a whole configuration of exim 4: TLS by STARTTLS, nothing without signing in, one recipient that does
// not exist and one that is busy, everything else into one file. It keeps mail queued until told to deliver.
const eximConfig = `
primary_hostname = relay.example
spool_directory = DIR/spool
log_file_path = DIR/log.%s
exim_user = USER
exim_group = GROUP
keep_environment =
tls_advertise_hosts = *
tls_certificate = DIR/cert.pem
tls_privatekey = DIR/key.pem
auth_advertise_hosts = ${if eq{$tls_in_cipher}{}{}{*}}
queue_only = true
deliver_drop_privilege = true
message_size_limit = 100K
acl_smtp_rcpt = rcpt
acl_smtp_data = data
begin acl
rcpt:
  deny !authenticated = *
       message = sign in first
  deny local_parts = nobody
       message = no such mailbox
  defer local_parts = busy
       message = try later
  accept
data:
  accept
begin routers
all:
  driver = accept
  transport = box
begin transports
box:
  driver = appendfile
  file = DIR/mailbox
  mode_fail_narrower = false
begin retry
* * F,2h,15m
begin authenticators
plain:
  driver = plaintext
  public_name = PLAIN
  server_prompts = :
  server_condition = ${if and{{eq{$auth2}{vialward}}{eq{$auth3}{secret}}}}
  server_set_id = $auth2
`

// exim is a relay somebody else wrote, run from a folder of the test's own.
type exim struct {
	path, addr, dir, config string
	certificate             mailtest.Certificate
}

func startExim(t *testing.T) exim {
	t.Helper()
	path, err := exec.LookPath("exim4")
	if err != nil {
		path = "/usr/sbin/exim4"
	}
	_, err = os.Stat(path)
	require.NoError(t, err, "this test sends through a real relay: install Debian's exim4-daemon-light (deploy/test does)")

	x := exim{path: path, dir: t.TempDir(), certificate: certificate(t, "relay.example")}
	user, group := strconv.Itoa(os.Getuid()), strconv.Itoa(os.Getgid())
	if os.Getuid() == 0 { // exim delivers nothing as root
		user, group = "Debian-exim", "Debian-exim"
		for _, d := range []string{filepath.Dir(x.dir), x.dir} {
			require.NoError(t, os.Chmod(d, 0o755))
		}
	}
	x.config = filepath.Join(x.dir, "exim.conf")
	config := strings.NewReplacer("DIR", x.dir, "USER", user, "GROUP", group).Replace(eximConfig)
	for name, content := range map[string][]byte{"exim.conf": []byte(config), "cert.pem": x.certificate.CertPEM, "key.pem": x.certificate.KeyPEM} {
		require.NoError(t, os.WriteFile(filepath.Join(x.dir, name), content, 0o644))
	}
	work := filepath.Join(x.dir, "spool")
	require.NoError(t, os.Mkdir(work, 0o755))
	if os.Getuid() == 0 {
		out, err := exec.Command("chown", "-R", "Debian-exim:Debian-exim", x.dir).CombinedOutput()
		require.NoError(t, err, string(out))
		require.NoError(t, os.Chown(x.config, 0, 0))
	}

	// The listening socket is ours and handed over (-bw), so the port is free, known and open before exim starts.
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	socket, err := l.(*net.TCPListener).File()
	require.NoError(t, err)
	x.addr = l.Addr().String()
	var said bytes.Buffer
	daemon := exec.Command(path, "-C", x.config, "-bw1h")
	daemon.Stdin, daemon.Stdout, daemon.Stderr = socket, &said, &said
	require.NoError(t, daemon.Start())
	require.NoError(t, l.Close())
	require.NoError(t, socket.Close())
	t.Cleanup(func() {
		_ = daemon.Process.Kill()
		_ = daemon.Wait()
		if t.Failed() {
			for _, name := range []string{"log.main", "log.reject", "log.panic"} {
				b, _ := os.ReadFile(filepath.Join(x.dir, name))
				t.Logf("exim %s:\n%s", name, b)
			}
			t.Logf("exim said: %s", said.String())
		}
	})
	return x
}

// deliver runs the queue once, to its end.
func (x exim) deliver(t *testing.T) string {
	t.Helper()
	out, err := exec.Command(x.path, "-C", x.config, "-qff").CombinedOutput()
	require.NoError(t, err, string(out))
	b, err := os.ReadFile(filepath.Join(x.dir, "mailbox"))
	require.NoError(t, err)
	return string(b)
}

// A relay we did not write: STARTTLS, signing in, several mails over one connection, one mailbox that does not exist, one
// that is busy, one mail that is too large. Every row ends accepted, failed and shown, or waiting with its reason.
func TestRealRelay(t *testing.T) {
	x := startExim(t)
	large := mailtest.Sample(3, alice)
	large.Text, large.HTML = strings.Repeat("shelf A 4\n", 20_000), ""
	opened, recovered := mailtest.Sample(1, alice), mailtest.Sample(2, alice)
	opened.Thread, opened.First, recovered.Thread = "case/1", true, "case/1"
	opened.MessageID = opened.Root()
	recovered.Subject = "33 STILL ON HOLD, Kühl 1 back in range"
	recovered.Text = "DO    9.6 °C.\n.\nFrom the door inwards\n" // a lone dot, and a line mailboxes confuse with their own
	o := mailtest.NewOutbox(opened, recovered, large, mailtest.Sample(4, "nobody@pharmacy.example"), mailtest.Sample(5, "busy@pharmacy.example"), mailtest.Sample(6, bob))

	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	ended := make(chan error, 1)
	go func() {
		ended <- (&mail.Sender{Outbox: o, Log: slog.New(slog.DiscardHandler), Relay: mail.Relay{
			Addr: x.addr, ServerName: "relay.example", TLS: mail.STARTTLS, RootCAs: x.certificate.Pool,
			Username: "vialward", Password: "secret", From: from, Hello: "vialward.pharmacy.example",
		}}).Run(ctx)
	}()
	err := o.Until(ctx, tried)
	cancel()
	require.NoError(t, <-ended)
	rows := o.Rows()
	require.NoError(t, err, "%+v", rows)
	for i, want := range []alerts.State{alerts.Accepted, alerts.Accepted, alerts.Failed, alerts.Failed, alerts.Waiting, alerts.Accepted} {
		require.Equal(t, want, rows[i].State, "%s: %s", rows[i].To, rows[i].LastError)
	}
	require.Contains(t, rows[0].Answer, "250 OK id=")
	require.Contains(t, rows[2].LastError, "552")
	require.Contains(t, rows[3].LastError, "550 no such mailbox")
	require.Contains(t, rows[4].LastError, "451 try later")

	box := x.deliver(t)
	for _, i := range []int{0, 1, 5} {
		require.Equal(t, 1, strings.Count(box, "\nMessage-Id: <"+rows[i].MessageID+">\n"), "%s once in the mailbox:\n%s", rows[i].MessageID, box)
	}
	require.Equal(t, 3, strings.Count(box, "\nAuto-Submitted: auto-generated\n"))
	require.Contains(t, box, "\nReferences: <"+rows[0].MessageID+">\n")
	require.Contains(t, box, "\n.\n", "a lone dot goes through")
}

// The same relay with the wrong password, and without trusting its certificate: nothing is lost, everything is said.
func TestRealRelayThatDoesNotLetUsIn(t *testing.T) {
	x := startExim(t)
	for _, c := range []struct {
		relay  mail.Relay
		reason string
	}{
		{mail.Relay{RootCAs: x.certificate.Pool, Username: "vialward", Password: "wrong"}, "signing in as vialward: the relay said 535"},
		{mail.Relay{RootCAs: x.certificate.Pool}, "550 sign in first"},
		{mail.Relay{}, "certificate"},
	} {
		r := c.relay
		r.Addr, r.ServerName, r.TLS, r.From, r.Hello = x.addr, "relay.example", mail.STARTTLS, from, "vialward.pharmacy.example"
		ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
		o := mailtest.NewOutbox(mailtest.Sample(1, alice))
		ended := make(chan error, 1)
		go func() { ended <- (&mail.Sender{Outbox: o, Log: slog.New(slog.DiscardHandler), Relay: r}).Run(ctx) }()
		err := o.Until(ctx, tried)
		cancel()
		require.NoError(t, <-ended)
		require.NoError(t, err)
		require.NotEqual(t, alerts.Accepted, o.Rows()[0].State)
		require.Contains(t, o.Rows()[0].LastError, c.reason)
	}
}
