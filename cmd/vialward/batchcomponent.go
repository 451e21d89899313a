package main

import (
	"strings"

	"vialward/tracker/stock"
)

// component reads "NAME,LOT,expires=2026-12,amount=100 mg": the keys are taken off the end, since a name may hold commas.
func component(text string) (x stock.Component, err error) {
	rest := text
	for {
		i := strings.LastIndexByte(rest, ',')
		key, value, ok := strings.Cut(rest[i+1:], "=")
		if i < 0 || !ok {
			break
		}
		rest = rest[:i]
		value = strings.TrimSpace(value)
		switch strings.TrimSpace(key) {
		case "expires":
			x.Expires = value
		case "beyond_use":
			x.BeyondUse = value
		case "amount":
			x.Amount = value
		case "maker":
			x.Maker = value
		case "opened_at":
			x.OpenedAt, err = instant(value)
		case "used_at":
			x.UsedAt, err = instant(value)
		default:
			err = usage("component %q: there is no %q; its keys are expires (manufactured) or beyond_use (compounded), amount, maker, opened_at, used_at", text, strings.TrimSpace(key))
		}
		if err != nil {
			return x, err
		}
	}
	i := strings.LastIndexByte(rest, ',')
	if i < 0 || x.Expires == "" && x.BeyondUse == "" {
		return x, usage("component %q: write NAME,LOT,expires=2026-12 or NAME,LOT,beyond_use=2026-12-31", text)
	}
	x.Name, x.Lot = strings.TrimSpace(rest[:i]), strings.TrimSpace(rest[i+1:])
	return x, nil
}
