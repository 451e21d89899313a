package config

import (
	"time"

	"vialward/tracker/stock"
)

func (r *siteReader) areas(files []areaFile) []stock.Area {
	var areas []stock.Area
	for i, f := range files {
		a := stock.Area{Code: f.Code, Name: f.Name}
		for j, c := range f.Categories {
			at := item(item("areas", i+1)+".categories", j+1)
			status := stock.AreaStatus{From: r.instant(at+".from", c.From), Category: c.Category, Reason: c.Reason}
			if c.Category == "none" {
				status.Category = ""
			}
			a.Statuses = append(a.Statuses, status)
		}
		areas = append(areas, a)
	}
	return areas
}

func areasToFile(areas []stock.Area, zone *time.Location) []areaFile {
	var files []areaFile
	for _, a := range areas {
		f := areaFile{Code: a.Code, Name: a.Name}
		for _, s := range a.Statuses {
			c := categoryFile{From: sayInstant(s.From, zone), Category: s.Category, Reason: s.Reason}
			if s.Category == "" {
				c.Category = "none"
			}
			f.Categories = append(f.Categories, c)
		}
		files = append(files, f)
	}
	return files
}
