package config

import (
	"crypto/x509"
	"fmt"
	"net"
	"net/mail"
	"net/netip"
	"net/url"
	"os"
	"path"
	"path/filepath"
	"strconv"
	"strings"
	"time"
)

func (r *reader) cron(key, value, standard string) string {
	value = r.text(key, value, standard)
	if err := checkCron(value); err != nil {
		r.wrong(key, "%v", err)
	}
	return value
}

func isPort(s string, least uint64) bool {
	n, err := strconv.ParseUint(s, 10, 16)
	return err == nil && n >= least
}

func loopback(host string) bool {
	if host == "localhost" {
		return true
	}
	ip, err := netip.ParseAddr(host)
	return err == nil && ip.Unmap().IsLoopback()
}

// checkDSN looks at its form only; package db reads it. The text is not repeated: it may hold a password.
func (r *reader) checkDSN(dsn string) {
	if dsn == "" {
		return
	}
	if !looksLikeDSN.MatchString(dsn) {
		r.blame("database.dsn", "this is no PostgreSQL connection string: write postgres://USER@HOST:5432/DATABASE, or host=... dbname=... user=...")
		return
	}
	var ports []string
	if strings.Contains(dsn, "://") {
		u, err := url.Parse(dsn)
		if err != nil {
			r.blame("database.dsn", "this address cannot be read: a port is digits, and in a user name or password %% is written %%25, @ %%40, : %%3A and / %%2F")
			return
		}
		for host := range strings.SplitSeq(u.Host, ",") {
			_, port, _ := strings.Cut(host[strings.LastIndexByte(host, ']')+1:], ":") // an IPv6 address stands in brackets
			ports = append(ports, port)
		}
	} else if m := dsnPort.FindStringSubmatch(Secret(dsn).Masked()); m != nil {
		ports = strings.Split(m[1], ",")
	}
	for _, port := range ports {
		if n, err := strconv.Atoi(port); port != "" && (err != nil || n < 1 || n > 65535) {
			r.blame("database.dsn", "%q is no port: it goes from 1 to 65535, and is usually 5432", port)
		}
	}
}

func (r *reader) mail(f mailFile) Mail {
	m := Mail{
		Relay: r.text("mail.relay", f.Relay, ""), TLS: r.oneOf("mail.tls", f.TLS, "starttls", "implicit", "none"),
		Username: r.text("mail.username", f.Username, ""), PasswordFile: r.beside(r.text("mail.password_file", f.PasswordFile, "")),
		From: r.text("mail.from", f.From, ""), Hello: r.text("mail.hello", f.Hello, ""), CAFile: r.beside(r.text("mail.ca_file", f.CAFile, "")),
		Timeout: r.duration("mail.timeout", f.Timeout, 30*time.Second, time.Second, 10*time.Minute),
	}
	m.Password = r.mailPassword(m.PasswordFile)
	m.RootCAs = r.authorities(m.CAFile)
	if m.Relay == "" {
		if f != (mailFile{}) {
			r.wrong("mail.relay", "relay is missing: name the mail relay as host:port, or take [mail] out and mails wait in the outbox")
		}
		return m
	}
	host, port, err := net.SplitHostPort(m.Relay)
	switch {
	case err != nil || host == "" || !isPort(port, 1):
		r.wrong("mail.relay", "%q is not a host and a port, such as relay.example:587", m.Relay)
	case m.TLS == "none" && !loopback(host):
		r.wrong("mail.tls", "mails to %s would cross the network in the open: use \"starttls\" or \"implicit\"; \"none\" is for a relay on this machine", host)
	}
	switch _, err := mail.ParseAddress(m.From); {
	case m.From == "":
		r.wrong("mail.from", "from is missing: whose name and address the mails carry")
	case err != nil:
		r.wrong("mail.from", "%q is not a mail address, such as \"Pharmacy cold chain <vialward@pharmacy.example>\"", m.From)
	}
	if strings.ContainsAny(m.Hello, " \t\r\n<>@") {
		r.wrong("mail.hello", "%q is not a host name", m.Hello)
	}
	switch {
	case m.Username != "" && m.Password == "" && !r.has("mail.password_file"):
		r.wrong("mail.username", "a user name without a password: give the password in %s, or name a file with it in password_file", EnvMailPassword)
	case m.Username == "" && m.Password != "":
		r.blame("mail.password", "a password without a user name: write username under [mail], or take the password away")
	}
	return m
}

// mailPassword from the environment, else from a file nobody else may read. It is never in the configuration itself,
// which gets printed, copied and mailed about.
func (r *reader) mailPassword(file string) Secret {
	const key = "mail.password_file"
	if p := r.env(EnvMailPassword); p != "" {
		r.origin["mail.password"] = EnvMailPassword
		return Secret(p)
	}
	if file == "" {
		return ""
	}
	password, err := ReadSecret(file, r.env)
	if err != nil {
		r.wrong(key, "%v", err)
		return ""
	}
	r.origin["mail.password"] = "password_file"
	return password
}

// ReadSecret reads a password from a file of one line, which nobody but its owner may read.
func ReadSecret(file string, env func(string) string) (Secret, error) {
	text, mode, err := readWithMode(file)
	secret := strings.TrimRight(string(text), "\r\n")
	switch {
	case err != nil:
		return "", fmt.Errorf("the password cannot be read: %w", err)
	case mode&0o077 != 0 && !credential(file, env):
		return "", fmt.Errorf("others may read it (%04o): chmod 600 %s", mode, file)
	case secret == "":
		return "", fmt.Errorf("%s is empty: write the password into it, one line", file)
	case strings.ContainsAny(secret, "\r\n"):
		return "", fmt.Errorf("%s has several lines: write the password into it, and nothing else", file)
	}
	return Secret(secret), nil
}

// credential says whether the service manager handed the file over: those are guarded by an access list that plain
// permission bits show as readable by the group (systemd.exec, "Credentials").
func credential(file string, env func(string) string) bool {
	folder := env("CREDENTIALS_DIRECTORY")
	return folder != "" && filepath.Dir(file) == filepath.Clean(folder)
}

func (r *reader) authorities(file string) *x509.CertPool {
	if file == "" {
		return nil
	}
	pem, _, err := readWithMode(file)
	if err != nil {
		r.wrong("mail.ca_file", "the certificates cannot be read: %v", err)
		return nil
	}
	pool := x509.NewCertPool()
	if !pool.AppendCertsFromPEM(pem) {
		r.wrong("mail.ca_file", "there is no certificate in %s: it holds PEM blocks, -----BEGIN CERTIFICATE-----", file)
	}
	return pool
}

func (r *reader) intake(f intakeFile) Intake {
	in := Intake{
		Folder: r.beside(r.text("intake.folder", f.Folder, "")),
		Settle: r.duration("intake.settle", f.Settle, 5*time.Second, time.Second, time.Hour),
	}
	if in.Folder != "" {
		if info, err := os.Stat(in.Folder); err != nil || !info.IsDir() {
			r.wrong("intake.folder", "there is no folder %s: make it, or correct the path", in.Folder)
		}
	} else if len(f.Layouts) > 0 {
		r.wrong("intake.folder", "folder is missing: layouts are for the files in it")
	}
	for i, l := range f.Layouts {
		key := item("intake.layouts", i+1)
		if _, err := path.Match(l.Files, ""); err != nil || strings.Contains(l.Files, "/") {
			r.wrong(under(key, "files"), "%q is no pattern of file names: use letters, * and ?, and no folder", l.Files)
		}
		rule := LayoutRule{Files: l.Files, Layout: r.beside(l.Layout)}
		if l.Layout != "" {
			if _, err := ReadLayout(rule.Layout); err != nil {
				r.wrong(under(key, "layout"), "%v", err)
			}
		}
		in.Layouts = append(in.Layouts, rule)
		r.origin["intake.layouts"] = "file"
	}
	return in
}

// LayoutFor a file of that name: the path of its layout, "" for the plain form.
func (i Intake) LayoutFor(name string) string {
	for _, l := range i.Layouts {
		if ok, err := path.Match(l.Files, filepath.Base(name)); ok && err == nil {
			return l.Layout
		}
	}
	return ""
}
