package mail

import (
	"bytes"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"fmt"
	"io"
	netmail "net/mail"
	"strings"
	"unicode/utf8"

	"github.com/emersion/go-message"

	"vialward/alerts"
)

// Build makes the message of a row as it goes over the wire: CRLF line ends, lines of at most 76 characters, ASCII. It
// depends on nothing but its arguments, so a mail sent again is the same to the last byte. plain leaves the HTML out.
func Build(row alerts.Row, from string, plain bool) ([]byte, error) {
	var b bytes.Buffer
	if err := write(&b, row, from, plain || row.HTML == ""); err != nil {
		return nil, fmt.Errorf("building mail %s: %w", row.MessageID, err)
	}
	return b.Bytes(), nil
}

func write(b io.Writer, row alerts.Row, from string, plain bool) error {
	h, err := header(row, from)
	if err != nil {
		return err
	}
	if plain {
		asText(&h, "text/plain")
		w, err := message.CreateWriter(b, h)
		if err != nil {
			return err
		}
		return fill(w, row.Text)
	}
	// Two forms of one thing, the richer last (RFC 2046, 5.1.4). The boundary is a digest: 128 bits no body holds.
	sum := sha256.Sum256([]byte("boundary of " + row.MessageID))
	h.SetContentType("multipart/alternative", map[string]string{"boundary": hex.EncodeToString(sum[:16])})
	w, err := message.CreateWriter(b, h)
	if err != nil {
		return err
	}
	for _, p := range []struct{ kind, body string }{{"text/plain", row.Text}, {"text/html", row.HTML}} {
		var ph message.Header
		asText(&ph, p.kind)
		pw, err := w.CreatePart(ph)
		if err != nil {
			return err
		}
		if err := fill(pw, p.body); err != nil {
			return err
		}
	}
	return w.Close()
}

// header of a row's message; fields come out in the reverse of the order here.
func header(row alerts.Row, from string) (message.Header, error) {
	var h message.Header
	sender, err := netmail.ParseAddress(from)
	if err != nil {
		return h, fmt.Errorf("sender %q: %w", from, err)
	}
	h.Set("Auto-Submitted", "auto-generated") // RFC 3834, 5.2: asks for no out-of-office answers
	if root := row.Root(); root != "" && !row.First {
		h.Set("References", "<"+root+">")
		h.Set("In-Reply-To", "<"+root+">")
	}
	h.Set("Message-ID", "<"+row.MessageID+">")
	h.Set("Subject", words(row.Subject))
	h.Set("To", (&netmail.Address{Address: row.To}).String())
	h.Set("From", sender.String())
	h.Set("Date", row.Created.UTC().Format("Mon, 02 Jan 2006 15:04:05 -0700"))
	h.Set("MIME-Version", "1.0")
	return h, nil
}

// words makes a text fit for a header: as it is where it is printable ASCII, else in encoded words (RFC 2047) of at most
// 36 bytes each, so that the line with the field's name stays within 76 characters too.
func words(s string) string {
	if !strings.ContainsFunc(s, func(r rune) bool { return r < ' ' || r > '~' }) && !strings.Contains(s, "=?") {
		return s
	}
	var out []string
	var piece []byte
	for _, r := range strings.ToValidUTF8(s, "") {
		if len(piece)+utf8.RuneLen(r) > 36 {
			out, piece = append(out, word(piece)), piece[:0]
		}
		piece = utf8.AppendRune(piece, r)
	}
	return strings.Join(append(out, word(piece)), " ")
}

func word(b []byte) string { return "=?utf-8?B?" + base64.StdEncoding.EncodeToString(b) + "?=" }

// asText declares a text part. Quoted-printable keeps lines short and ASCII, so no relay has a reason to touch them.
func asText(h *message.Header, kind string) {
	h.SetContentType(kind, map[string]string{"charset": "utf-8"})
	h.Set("Content-Transfer-Encoding", "quoted-printable")
}

func fill(w io.WriteCloser, body string) error {
	if _, err := io.WriteString(w, body); err != nil {
		return err
	}
	return w.Close()
}
