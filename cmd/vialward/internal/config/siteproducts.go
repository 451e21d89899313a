package config

import (
	"fmt"
	"time"

	"vialward/tracker/stock"
)

func (r *siteReader) products(files []productFile) []stock.Product {
	var products []stock.Product
	for i, f := range files {
		products = append(products, r.product(item("products", i+1), f))
	}
	return products
}

func (r *siteReader) product(at string, f productFile) stock.Product {
	p := stock.Product{
		Code: f.Code, Name: f.Name, Volume: r.volume(at+".volume", f.Volume), Container: f.Container,
		ContainerL: r.volume(at+".container_volume", f.ContainerVolume), GTIN: f.GTIN, Route: f.Route, Category: f.Category,
		Method: f.Method, Tested: f.Tested, Nonsterile: f.Nonsterile, Storage: stock.Storage(f.Storage), CapHours: r.hours(at+".cap", f.Cap),
		AllowedOutSource: f.AllowedOutSource, BenchMinutes: r.minutes(at+".bench", f.Bench),
		FreezeMilliC: r.celsius(at+".freeze_celsius", f.FreezeCelsius), Light: f.Light, Hazardous: f.Hazardous,
		FreezeSensitive: f.FreezeSensitive, HighAlert: f.HighAlert, Warning: f.Warning, Disposal: f.Disposal,
		TwoPersons: f.TwoPersons, ApprovedBy: f.ApprovedBy, Sharps: f.Sharps, Tolerance: r.milli(at+".tolerance_percent", f.Tolerance),
		Loss: stock.Loss{
			PerSource: r.maybeVolume(at+".loss_per_source_vial", f.LossPerSource), PerVial: r.maybeVolume(at+".loss_per_vial", f.LossPerVial),
			Pool: r.maybeVolume(at+".loss_of_pool", f.LossOfPool),
		},
	}
	p.Amount, p.AmountUnit = r.mass(at+".amount", f.Amount)
	if f.AllowedOut != "" { // left out is no allowance, which is not one of 0 min
		allowed := r.minutes(at+".allowed_out", f.AllowedOut)
		p.AllowedOutMinutes = &allowed
	}
	for j, s := range f.Stability {
		here := item(at+".stability", j+1)
		p.Stability = append(p.Stability, stock.StabilityRow{
			Diluent: s.Diluent, FromMgPerML: r.decimal(here+".from_mg_per_ml", s.FromMgPerML), ToMgPerML: r.decimal(here+".to_mg_per_ml", s.ToMgPerML),
			Storage: stock.Storage(s.Storage), Minutes: r.minutes(here+".stable_for", s.StableFor), Source: s.Source, Tag: s.Tag, ConfirmedBy: s.ConfirmedBy,
		})
	}
	for j, c := range f.Components {
		p.Components = append(p.Components, r.component(item(at+".components", j+1), c))
	}
	for j, c := range f.Costs {
		here := item(at+".costs", j+1)
		p.Costs = append(p.Costs, stock.Cost{From: r.instant(here+".from", c.From), Cents: r.money(here+".each", c.Each)})
	}
	return p
}

func (r *siteReader) component(at string, f componentFile) stock.ComponentUse {
	c := stock.ComponentUse{Name: f.Name, Powder: f.Powder, Diluent: f.Diluent, Container: f.Container, Optional: f.Optional, Opened: f.Opened}
	if f.PerVial != "" {
		c.PerVial, _ = r.mass(at+".per_source_vial", f.PerVial)
	}
	c.Dissolve = r.maybeVolume(at+".dissolve_in", f.Dissolve)
	if l := f.LabelLine; l != nil {
		c.LabelLine = &stock.LabelLine{
			Diluent: r.volume(at+".label_line.diluent", l.Diluent), UgPerML: r.concentration(at+".label_line.concentration", l.Concentration),
			VolumeUL: r.volume(at+".label_line.volume", l.Volume), Source: l.Source,
		}
	}
	return c
}

func productsToFile(products []stock.Product, zone *time.Location) []productFile {
	var files []productFile
	for _, p := range products {
		f := productFile{
			Comment: versionComment(p), Code: p.Code, Name: p.Name, Amount: sayMass(p.Amount, p.AmountUnit), Volume: sayVolume(p.Volume),
			Container: p.Container, ContainerVolume: sayVolume(p.ContainerL), GTIN: p.GTIN, Route: p.Route, Category: p.Category,
			Method: p.Method, Tested: p.Tested, Nonsterile: p.Nonsterile, Storage: string(p.Storage), Cap: sayMinutes(60 * p.CapHours),
			AllowedOutSource: p.AllowedOutSource, Bench: orNone(sayMinutes(p.BenchMinutes)), FreezeCelsius: stock.SayMilli(int64(p.FreezeMilliC)),
			FreezeSensitive: p.FreezeSensitive, Light: p.Light, Hazardous: p.Hazardous, HighAlert: p.HighAlert, Warning: p.Warning,
			Disposal: p.Disposal, TwoPersons: p.TwoPersons, ApprovedBy: p.ApprovedBy, Sharps: p.Sharps, Tolerance: sayMilli(p.Tolerance),
			LossPerSource: sayMaybeVolume(p.Loss.PerSource), LossPerVial: sayMaybeVolume(p.Loss.PerVial), LossOfPool: sayMaybeVolume(p.Loss.Pool),
		}
		if p.AllowedOutMinutes != nil {
			f.AllowedOut = orNone(sayMinutes(*p.AllowedOutMinutes))
		}
		for _, s := range p.Stability {
			f.Stability = append(f.Stability, stabilityFile{
				Diluent: s.Diluent, FromMgPerML: s.FromMgPerML, ToMgPerML: s.ToMgPerML, Storage: string(s.Storage),
				StableFor: orNone(sayMinutes(s.Minutes)), Source: s.Source, Tag: s.Tag, ConfirmedBy: s.ConfirmedBy,
			})
		}
		for _, c := range p.Components {
			f.Components = append(f.Components, componentToFile(c))
		}
		for _, c := range p.Costs {
			f.Costs = append(f.Costs, costFile{From: sayInstant(c.From, zone), Each: sayMoney(c.Cents)})
		}
		files = append(files, f)
	}
	return files
}

func componentToFile(c stock.ComponentUse) componentFile {
	f := componentFile{
		Name: c.Name, Powder: c.Powder, Diluent: c.Diluent, Container: c.Container, Optional: c.Optional, PerVial: sayMass(c.PerVial, ""),
		Dissolve: sayMaybeVolume(c.Dissolve), Opened: c.Opened,
	}
	if l := c.LabelLine; l != nil {
		f.LabelLine = &labelLineFile{
			Diluent: sayVolume(l.Diluent), Concentration: sayConcentration(l.UgPerML), Volume: sayVolume(l.VolumeUL), Source: l.Source,
		}
	}
	return f
}

// versionComment tells what the file itself does not say: how the product stands in the record.
func versionComment(p stock.Product) string {
	switch {
	case p.Version == 0:
		return ""
	case p.DraftBecause != "":
		return fmt.Sprintf("version %d, A DRAFT, no batch can be made from it: %s", p.Version, p.DraftBecause)
	}
	return fmt.Sprintf("version %d, approved", p.Version)
}

// orNone prints a zero that must not be left out.
func orNone(wait string) string {
	if wait == "" {
		return "0 min"
	}
	return wait
}
