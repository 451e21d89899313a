package config

import (
	"log/slog"
	"regexp"
)

// Secret is text that is never printed: every way of printing it shows Masked.
type Secret string

const mask = "***"

// Masked shows that there is one, and of a DSN everything but its passwords.
func (s Secret) Masked() string {
	if s == "" {
		return ""
	}
	text := string(s)
	if !looksLikeDSN.MatchString(text) {
		return mask
	}
	for _, p := range dsnPasswords {
		text = p.ReplaceAllString(text, "${1}"+mask+"${2}")
	}
	return text
}

// Reveal is the text itself, for whoever needs it.
func (s Secret) Reveal() string { return string(s) }

func (s Secret) String() string               { return s.Masked() }
func (s Secret) GoString() string             { return s.Masked() }
func (s Secret) MarshalText() ([]byte, error) { return []byte(s.Masked()), nil }
func (s Secret) LogValue() slog.Value         { return slog.StringValue(s.Masked()) }

// A DSN is a URL or pairs of keyword and value (PostgreSQL documentation, "Connection Strings").
var (
	looksLikeDSN = regexp.MustCompile(`^(?:postgres(?:ql)?://|\s*[a-z_]+\s*=)`)
	dsnPort      = regexp.MustCompile(`(?:^|\s)port\s*=\s*'?([^'\s]*)`)
	dsnPasswords = []*regexp.Regexp{
		regexp.MustCompile(`(?s)^(postgres(?:ql)?://[^:@/?]*:).*(@)`), // to the last @: rather too much than a part of it
		regexp.MustCompile(`(?i)([?&](?:ssl)?password=)[^&]*()`),
		regexp.MustCompile(`(?is)((?:^|\s)(?:ssl)?password\s*=\s*)(?:'(?:[^'\\]|\\.)*'?|(?:[^\s\\]|\\.)+)()`),
	}
)

// holdsPassword says whether a DSN has a password in it.
func holdsPassword(dsn string) bool {
	for _, p := range dsnPasswords {
		if p.MatchString(dsn) {
			return true
		}
	}
	return false
}
