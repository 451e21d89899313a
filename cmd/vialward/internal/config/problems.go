package config

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
)

// Problems is everything found wrong with a document, as one error for people: a line each.
type Problems []Problem

func (p Problems) Error() string {
	if len(p) == 1 {
		return p[0].say()
	}
	var b strings.Builder
	fmt.Fprintf(&b, "%d mistakes", len(p))
	for _, x := range p {
		b.WriteString("\n  " + x.say())
	}
	return b.String()
}

// say is String, but for what does not come from a line of a file: the environment.
func (p Problem) say() string {
	if p.Line == 0 {
		return p.Key + ": " + p.Say
	}
	return p.String()
}

// sortProblems puts them in the order of the text.
func sortProblems(problems []Problem) {
	slices.SortStableFunc(problems, func(a, b Problem) int {
		return cmp.Or(cmp.Compare(a.Line, b.Line), cmp.Compare(a.Key, b.Key))
	})
}
