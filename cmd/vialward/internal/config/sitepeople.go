package config

import (
	"time"

	"vialward/tracker/stock"
)

func (r *siteReader) people(files []personFile) []stock.Person {
	var people []stock.Person
	for i, f := range files {
		at := item("people", i+1)
		p := stock.Person{Code: f.Code, Name: f.Name, Mail: f.Mail, Roles: f.Roles, Left: r.instant(at+".left", f.Left)}
		for j, c := range f.Competencies {
			here := item(at+".competencies", j+1)
			p.Competencies = append(p.Competencies, stock.Competency{
				What: c.What, AssessedBy: c.AssessedBy, From: r.instant(here+".from", c.From), Until: r.lastDay(here+".until", c.Until), Note: c.Note,
			})
		}
		people = append(people, p)
	}
	return people
}

func peopleToFile(people []stock.Person, zone *time.Location) []personFile {
	var files []personFile
	for _, p := range people {
		f := personFile{Code: p.Code, Name: p.Name, Mail: p.Mail, Roles: p.Roles, Left: sayInstant(p.Left, zone)}
		for _, c := range p.Competencies {
			f.Competencies = append(f.Competencies, competencyFile{
				What: c.What, AssessedBy: c.AssessedBy, From: sayInstant(c.From, zone), Until: sayLastDay(c.Until, zone), Note: c.Note,
			})
		}
		files = append(files, f)
	}
	return files
}
