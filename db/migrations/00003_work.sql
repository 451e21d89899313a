-- Work: lists, slots, mail. Leases and back-off use the database's clock; everything a person reads uses times given.

-- +goose Up
create table sweep (
  site       int not null references site,
  slot       text not null, -- local date and wall time, '2025-11-12 07:00': the key, also over clock changes
  number     int not null check (number > 0),
  due_at     timestamptz not null,
  made_at    timestamptz not null,
  until_at   timestamptz not null, -- the next staffed sweep
  document   text not null,
  confirm_by timestamptz not null,
  confirmed_at timestamptz,
  confirmed_by text,
  missed_at  timestamptz, -- its own mail was raised
  primary key (site, slot),
  unique (site, number)
);

-- Anything due once: the key says which.
create table slot_done (
  site    int not null references site,
  job     text not null,
  slot    text not null,
  done_at timestamptz not null,
  primary key (site, job, slot)
);

create table outbox (
  site       int not null references site,
  id         bigint generated always as identity,
  kind       text not null,
  severity   text not null check (severity in ('high','medium','low')),
  dedupe     text not null, -- kind, subject, slot, recipient
  recipient  text not null check (recipient <> '' and recipient !~ '[\r\n]'),
  subject    text not null check (subject !~ '[\r\n]'),
  body_text  text not null,
  body_html  text not null,
  thread     text not null,
  first_in_thread boolean not null,
  message_id text not null,
  created_at timestamptz not null, -- domain time
  state      text not null default 'waiting' check (state in ('waiting','claimed','accepted','failed','superseded')),
  attempt    int not null default 0,
  owner      text,
  lease_until timestamptz,
  next_attempt timestamptz not null default clock_timestamp(),
  last_error text not null default '',
  answer     text not null default '',
  finished_at timestamptz,
  primary key (site, id),
  unique (site, dedupe),
  check ((state = 'claimed') = (lease_until is not null)),
  check ((state in ('accepted','failed','superseded')) = (finished_at is not null))
);
create index outbox_due on outbox (next_attempt) where state in ('waiting','claimed');
create index outbox_failed on outbox (site, created_at) where state = 'failed';
create index outbox_thread on outbox (site, thread, recipient, id) where thread <> '';

grant select on all tables in schema public to vialward_daemon;
grant insert on sweep, slot_done, outbox to vialward_daemon;
grant update on sweep, outbox to vialward_daemon;
