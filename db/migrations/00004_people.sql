-- People: what they prove themselves with, and where they are signed in. Working rows: that a password was set, or a
-- session ended by somebody else, is an event. Nothing here holds a secret: passwords and PINs are argon2id hashes,
-- sessions and devices SHA-256 hashes of random tokens.

-- +goose Up
create table credential (
  site          int not null references site,
  person        text not null check (person <> ''),
  password_hash text not null check (password_hash ~ '^\$argon2id\$'),
  password_at   timestamptz not null,
  start_until   timestamptz, -- given out by somebody else, to choose one's own with before then; null = their own
  pin_hash      text check (pin_hash ~ '^\$argon2id\$'),
  pin_at        timestamptz,
  primary key (site, person),
  check ((pin_hash is null) = (pin_at is null)),
  check (start_until is null or pin_hash is null)
);

-- Who gave their password on which device, last. The device is known by then, and a PIN may change hands on it that day.
create table device_person (
  site       int not null references site,
  device     bytea not null check (octet_length(device) = 32),
  person     text not null,
  full_at    timestamptz not null,
  wrong_pins int not null default 0 check (wrong_pins >= 0), -- in a row
  primary key (site, device, person)
);
create index device_person_known on device_person (site, full_at);

-- Addresses of the network from which somebody signed in with a password.
create table known_address (
  site    int not null references site,
  address text not null,
  full_at timestamptz not null,
  primary key (site, address)
);

create table session (
  site         int not null references site,
  number       bigint generated always as identity, -- as people name it
  session_hash bytea not null unique check (octet_length(session_hash) = 32),
  person       text not null check (person <> ''),
  device       bytea not null,
  browser      text not null, -- as it calls itself
  address      text not null,
  method       text not null check (method in ('password', 'start', 'pin')),
  full_at      timestamptz not null, -- the password was given
  started_at   timestamptz not null,
  seen_at      timestamptz not null, -- the last request, to a minute
  ended_at     timestamptz,
  ended_by     text,
  ended_why    text,
  primary key (site, number),
  check (started_at >= full_at and seen_at >= started_at and ended_at >= started_at),
  check ((ended_at is null) = (ended_by is null) and (ended_at is null) = (ended_why is null))
);
create index session_going_on on session (site, person, seen_at) where ended_at is null;

-- +goose StatementBegin
create function keep_session() returns trigger language plpgsql as $$
begin
  if old.ended_at is not null then
    raise exception 'session % has ended', old.number using errcode = 'check_violation';
  end if;
  if to_jsonb(new) - '{seen_at,ended_at,ended_by,ended_why}'::text[] is distinct from to_jsonb(old) - '{seen_at,ended_at,ended_by,ended_why}'::text[]
     or new.seen_at < old.seen_at then
    raise exception 'session % may be seen again, or end', old.number using errcode = 'check_violation';
  end if;
  return new;
end $$;
-- +goose StatementEnd
create trigger keep_session before update on session for each row execute function keep_session();
create trigger no_delete before delete or truncate on session for each statement execute function only_added_to();

grant select, insert on credential, device_person, known_address, session to vialward_daemon;
grant update (password_hash, password_at, start_until, pin_hash, pin_at) on credential to vialward_daemon;
grant update (full_at, wrong_pins) on device_person to vialward_daemon;
grant update (full_at) on known_address to vialward_daemon;
grant update (seen_at, ended_at, ended_by, ended_why) on session to vialward_daemon;
