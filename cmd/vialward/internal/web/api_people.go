package web

import (
	"context"

	"vialward/cmd/vialward/internal/present"
	"vialward/tracker"
	"vialward/tracker/access"
	"vialward/tracker/stock"
)

// newPerson is somebody who comes to the site.
type newPerson struct {
	Code  string   `json:"code"`
	Name  string   `json:"name,omitempty"`
	Mail  string   `json:"mail,omitempty"`
	Roles []string `json:"roles"`
}

func peopleRoutes() []route {
	return []route{
		get(access.Read, "/people", "People of the site, their roles, and what they were assessed in.", getPeople),
		post(access.AddPerson, "/people", "Somebody comes to the site.", addPerson),
		post(access.ChangePerson, "/people/{code}", "Change a person's name, address or roles, or say from when on they are gone.", changePerson),
		post(access.Assess, "/people/{code}/assessments", "A person was assessed: competent until then, or no more.", assess),
	}
}

func getPeople(_ context.Context, q *ask, _ tracker.View) (present.People, error) {
	return q.as.PeopleOf(q.site), nil
}

func addPerson(ctx context.Context, q *ask, b newPerson) (present.Person, error) {
	p, err := q.t.AddPerson(ctx, q.site.Code, q.who, stock.Person{Code: b.Code, Name: b.Name, Mail: b.Mail, Roles: b.Roles})
	return q.as.Person(p), err
}

func changePerson(ctx context.Context, q *ask, b tracker.PersonChange) (present.Person, error) {
	p, err := q.t.ChangePerson(ctx, q.site.Code, q.who, q.r.PathValue("code"), b)
	return q.as.Person(p), err
}

func assess(ctx context.Context, q *ask, b tracker.Assessment) (present.Person, error) {
	p, err := q.t.Assess(ctx, q.site.Code, q.who, q.r.PathValue("code"), b)
	return q.as.Person(p), err
}
