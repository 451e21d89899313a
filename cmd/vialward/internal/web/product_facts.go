package web

import (
	"fmt"

	"vialward/tracker/stock"
)

// productFacts are the rules of a product that bear on its vials, with their sources. Where there is no figure, it says
// so: nothing is assumed.
func productFacts(p stock.Product) []fact {
	out := []fact{{"Storage", string(p.Storage)}}
	out = append(out, fact{"Allowed time out", allowedOut(p)})
	out = append(out, fact{"Freezing", fmt.Sprintf("at or below %s °C it counts as frozen", decimal(int64(p.FreezeMilliC)))})
	if p.FreezeSensitive {
		out = append(out, fact{"Freeze-sensitive", "yes"})
	}
	if p.Light {
		out = append(out, fact{"Light", "protect from light"})
	}
	if p.Hazardous {
		out = append(out, fact{"Hazardous", "yes: hazardous refrigerator and container only"})
	}
	if p.HighAlert {
		out = append(out, fact{"High alert", "yes"})
	}
	if p.Warning != "" {
		out = append(out, fact{"Warning", p.Warning})
	}
	if p.TwoPersons {
		out = append(out, fact{"Two persons", "for discards and releases"})
	}
	if p.Route != "" {
		out = append(out, fact{"Route", p.Route})
	}
	container := p.Disposal
	if container == "" {
		container = "no container on record: ask"
	}
	out = append(out, fact{"Discard into", container})
	for _, r := range p.Stability {
		say := fmt.Sprintf("%s in %s", hours(r.Minutes), r.Storage)
		if r.Diluent != "" {
			say += ", in " + r.Diluent
		}
		out = append(out, fact{"Stability", say + ". Source: " + r.Source})
	}
	return append(out, fact{"Master record", fmt.Sprintf("version %d, %s", p.Version, approval(p))})
}

func allowedOut(p stock.Product) string {
	if p.AllowedOutMinutes == nil || p.AllowedOutSource == "" {
		return "none on record: there is no default; hold and ask a pharmacist"
	}
	return fmt.Sprintf("%d min. Source: %s", *p.AllowedOutMinutes, p.AllowedOutSource)
}

func approval(p stock.Product) string {
	switch {
	case p.DraftBecause != "":
		return "a draft: " + p.DraftBecause
	case p.ApprovedBy == "":
		return "a draft"
	default:
		return "approved by " + p.ApprovedBy
	}
}

func hours(minutes int) string {
	if minutes%60 == 0 {
		return fmt.Sprintf("%d h", minutes/60)
	}
	return fmt.Sprintf("%d h %d min", minutes/60, minutes%60)
}
