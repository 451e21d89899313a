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
  seq        bigint not null, -- of the event that made it
  primary key (site, slot),
  foreign key (site, seq) references event,
  check ((confirmed_at is null) = (confirmed_by is null)),
  check (confirmed_at >= made_at),
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

-- When a site's record was last walked from outside, and what came of it: a working row, for metrics.
create table verification (
  site    int primary key references site,
  at      timestamptz not null,
  seconds double precision not null,
  events  bigint not null,
  faults  bigint not null,
  first   text not null -- fault, in words
);

-- +goose StatementBegin
create function keep_mail() returns trigger language plpgsql as $$
begin
  if (new.site, new.id, new.kind, new.severity, new.dedupe, new.recipient, new.subject, new.body_text, new.body_html, new.thread,
      new.first_in_thread, new.message_id, new.created_at)
     is distinct from (old.site, old.id, old.kind, old.severity, old.dedupe, old.recipient, old.subject, old.body_text, old.body_html, old.thread,
      old.first_in_thread, old.message_id, old.created_at) then
    raise exception 'mail % is worded once', old.id using errcode = 'check_violation';
  end if;
  if old.state in ('accepted', 'superseded') or old.state = 'failed' and new.state <> 'waiting' then
    raise exception 'mail % has ended: %', old.id, old.state using errcode = 'check_violation';
  end if;
  return new;
end $$;
create function keep_sweep() returns trigger language plpgsql as $$
begin
  if (new.site, new.slot, new.number, new.due_at, new.made_at, new.until_at, new.document, new.confirm_by, new.seq)
     is distinct from (old.site, old.slot, old.number, old.due_at, old.made_at, old.until_at, old.document, old.confirm_by, old.seq)
     or old.confirmed_at is not null and (new.confirmed_at, new.confirmed_by) is distinct from (old.confirmed_at, old.confirmed_by)
     or old.missed_at is not null and new.missed_at is distinct from old.missed_at then
    raise exception 'list % stands as it was made, confirmed and missed', old.number using errcode = 'check_violation';
  end if;
  return new;
end $$;
-- +goose StatementEnd
create trigger keep_mail before update on outbox for each row execute function keep_mail();
create trigger no_delete before delete or truncate on outbox for each statement execute function only_added_to();
create trigger keep_sweep before update on sweep for each row execute function keep_sweep();
create trigger no_delete before delete or truncate on sweep for each statement execute function only_added_to();
create trigger only_added_to before update or delete or truncate on slot_done for each statement execute function only_added_to();

grant select on all tables in schema public to vialward_daemon;
grant insert on sweep, slot_done, outbox, verification to vialward_daemon;
grant update on verification to vialward_daemon;
grant update (confirmed_at, confirmed_by, missed_at) on sweep to vialward_daemon;
grant update (state, attempt, owner, lease_until, next_attempt, last_error, answer, finished_at) on outbox to vialward_daemon;
