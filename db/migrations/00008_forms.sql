-- What people have typed into pages and not sent yet, and which forms were sent: working rows. What a form did is an
-- event; that a form was done is stored in the same commit, so that a second touch, or a page sent again, does nothing.

-- +goose Up
create table draft (
  site     int not null references site,
  person   text not null check (person <> ''),
  form     text not null check (form <> ''), -- the address of its page
  fields   jsonb not null check (jsonb_typeof(fields) = 'object'), -- name -> what was typed; never a password
  saved_at timestamptz not null,
  primary key (site, person, form)
);

create table sent_form (
  site    int not null references site,
  once    text not null check (length(once) between 20 and 64), -- random, of the form as it was shown
  person  text not null check (person <> ''),
  sent_at timestamptz not null,
  answer  text, -- address that was answered; null = it is not known
  primary key (site, once)
);
create index sent_form_old on sent_form (site, sent_at);

grant select, insert, delete on draft, sent_form to vialward_daemon;
grant update (fields, saved_at) on draft to vialward_daemon;
grant update (answer) on sent_form to vialward_daemon;
