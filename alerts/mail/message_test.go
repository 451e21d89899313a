package mail_test

import (
	"bytes"
	"io"
	"mime"
	"mime/multipart"
	"mime/quotedprintable"
	netmail "net/mail"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"vialward/alerts"
	"vialward/alerts/mail"
)

const from = "Quillmere Infusion Pharmacy <vialward@pharmacy.example>"

// taken is a message as the standard library's reader sees it, a reader we did not write.
type taken struct {
	header netmail.Header
	parts  map[string]string
}

func take(t require.TestingT, raw []byte) taken {
	m, err := netmail.ReadMessage(bytes.NewReader(raw))
	require.NoError(t, err)
	out := taken{m.Header, map[string]string{}}
	kind, params, err := mime.ParseMediaType(m.Header.Get("Content-Type"))
	require.NoError(t, err)
	read := func(kind, encoding string, r io.Reader) {
		if encoding == "quoted-printable" { // multipart's reader decodes it by itself
			r = quotedprintable.NewReader(r)
		}
		b, err := io.ReadAll(r)
		require.NoError(t, err)
		out.parts[kind] = strings.ReplaceAll(string(b), "\r\n", "\n")
	}
	if kind != "multipart/alternative" {
		require.Equal(t, "utf-8", params["charset"])
		read(kind, m.Header.Get("Content-Transfer-Encoding"), m.Body)
		return out
	}
	var order []string
	for r := multipart.NewReader(m.Body, params["boundary"]); ; {
		p, err := r.NextPart()
		if err == io.EOF {
			require.Equal(t, []string{"text/plain", "text/html"}, order, "the richer last: RFC 2046, 5.1.4")
			return out
		}
		require.NoError(t, err)
		kind, params, err := mime.ParseMediaType(p.Header.Get("Content-Type"))
		require.NoError(t, err)
		require.Equal(t, "utf-8", params["charset"])
		order = append(order, kind)
		read(kind, p.Header.Get("Content-Transfer-Encoding"), p)
	}
}

// RFC 5322, 2.1.1 and 2.2 on lines and line ends, 3.6 on fields; RFC 2047 on words; RFC 3834, 5.2 on Auto-Submitted.
func wellFormed(t require.TestingT, raw []byte) {
	for _, l := range bytes.SplitAfter(raw, []byte("\n")) {
		if len(l) > 0 {
			require.True(t, bytes.HasSuffix(l, []byte("\r\n")), "%q", l)
			require.LessOrEqual(t, len(l), 80, "78 and the line end: %q", l)
			require.NotContains(t, string(bytes.TrimSuffix(l, []byte("\r\n"))), "\r")
		}
	}
	require.False(t, bytes.ContainsFunc(raw, func(r rune) bool { return r > 126 }), "ASCII on the way")
}

func TestAMessage(t *testing.T) {
	row := alerts.Row{
		Site: 1, To: "oncall-1@pharmacy.example", Subject: "WARM Kühl 1 9.6 C, act by 03:22, 33 vials", MessageID: "0011@pharmacy.example",
		Text: "DO    Geh.\n.\n..dots\nFrom here 9.6 °C\n", HTML: "<p>9.6 °C</p>\n", Thread: "case/4/1760509320",
		Created: time.Date(2025, 10, 15, 6, 40, 7, 123456000, time.UTC),
	}
	raw, err := mail.Build(row, from, false)
	require.NoError(t, err)
	wellFormed(t, raw)
	m := take(t, raw)
	require.Equal(t, row.Text, m.parts["text/plain"])
	require.Equal(t, row.HTML, m.parts["text/html"])
	subject, err := new(mime.WordDecoder).DecodeHeader(m.header.Get("Subject"))
	require.NoError(t, err)
	require.Equal(t, row.Subject, subject)
	require.Equal(t, "<0011@pharmacy.example>", m.header.Get("Message-Id"))
	require.Equal(t, "<"+row.Root()+">", m.header.Get("References"))
	require.Equal(t, "<"+row.Root()+">", m.header.Get("In-Reply-To"))
	require.Equal(t, "auto-generated", m.header.Get("Auto-Submitted"))
	require.Equal(t, "1.0", m.header.Get("Mime-Version"))
	at, err := m.header.Date()
	require.NoError(t, err)
	require.True(t, at.Equal(row.Created.Truncate(time.Second)))
	sender, err := m.header.AddressList("From")
	require.NoError(t, err)
	require.Equal(t, "vialward@pharmacy.example", sender[0].Address)
	require.Equal(t, "Quillmere Infusion Pharmacy", sender[0].Name)

	again, err := mail.Build(row, from, false)
	require.NoError(t, err)
	require.Equal(t, raw, again, "sent again it is the same mail to the last byte")

	row.First = true
	first, err := mail.Build(row, from, true)
	require.NoError(t, err)
	wellFormed(t, first)
	m = take(t, first)
	require.Empty(t, m.header.Get("References"))
	require.Equal(t, map[string]string{"text/plain": row.Text}, m.parts)
}

// No data can add a header field or change a body on its way.
func TestNoDataBreaksAMessage(t *testing.T) {
	nasty := rapid.StringOf(rapid.OneOf(rapid.Rune(), rapid.SampledFrom([]rune("\r\n .=<>\t"))))
	rapid.Check(t, func(t *rapid.T) {
		row := alerts.Row{Subject: nasty.Draw(t, "subject"), To: "a@pharmacy.example", MessageID: "1@pharmacy.example",
			Text: strings.ReplaceAll(nasty.Draw(t, "text"), "\r", ""), HTML: "x" + strings.ReplaceAll(nasty.Draw(t, "html"), "\r", "")}
		raw, err := mail.Build(row, from, false)
		if err != nil {
			return // refused whole: the row fails, in words
		}
		wellFormed(t, raw)
		m := take(t, raw)
		require.Equal(t, row.Text, m.parts["text/plain"])
		require.Equal(t, row.HTML, m.parts["text/html"])
		subject, err := new(mime.WordDecoder).DecodeHeader(m.header.Get("Subject"))
		require.NoError(t, err)
		require.Equal(t, strings.TrimSpace(row.Subject), strings.TrimSpace(subject))
		require.Len(t, m.header, 8, "no field more than ours: %v", m.header)
	})
}
