package db

import (
	"fmt"
	"strings"
)

// where is a condition put together of what was asked for only: a plan made for all of it would use no index.
type where struct {
	sql  string
	args []any
}

// narrow starts with the site, which is $1.
func narrow(site int32) *where { return &where{"site = $1", []any{site}} }

// when adds a condition if it is asked for; %s stands for its argument.
func (w *where) when(asked bool, cond string, arg ...any) {
	if !asked {
		return
	}
	w.args = append(w.args, arg...)
	w.sql += " and " + strings.ReplaceAll(cond, "%s", fmt.Sprintf("$%d", len(w.args)))
}

func limited(n int) string {
	if n <= 0 {
		return ""
	}
	return fmt.Sprintf(" limit %d", n)
}
