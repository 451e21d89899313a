-- The record: sites, events, batches, vials, their stays and holds.
-- The site comes first in every key, every instant is a timestamptz, and what a schema can hold of the rules it holds.

-- +goose Up
-- The daemon works as this role: it may add to the record, and neither change nor delete it.
-- +goose StatementBegin
do $$ begin
  if not exists (select from pg_roles where rolname = 'vialward_daemon') then
    begin
      create role vialward_daemon nologin;
    exception when duplicate_object or unique_violation then null; -- another database of this cluster made it just now
    end;
  end if;
end $$;
-- +goose StatementEnd

-- +goose StatementBegin
do $$ begin -- whoever migrates must be able to become the daemon's role
  if not pg_has_role(current_user, 'vialward_daemon', 'member') then
    execute format('grant vialward_daemon to %I', current_user);
  end if;
end $$;
-- +goose StatementEnd

create table site (
  site  int primary key check (site > 0),
  code  text not null unique check (code ~ '^[A-Z0-9][A-Z0-9-]{0,19}$'),
  zone  text not null,
  head  bigint not null default 0 check (head >= 0), -- seq of the newest event; its row lock is the site's one order
  head_hash bytea not null default decode(repeat('00', 32), 'hex') check (octet_length(head_hash) = 32)
);

-- The chain: SHA-256 over text, as package chain and every bundle's recipe compute it too. An event is bound to all
-- events before it by its hash, the rows it brought are bound to it by the digest in its canonical line.
-- +goose StatementBegin
create function chain_link(before bytea, canonical text) returns bytea language sql immutable strict parallel safe as $$
  select sha256(convert_to('vialward chain 1' || chr(10) || encode(before, 'hex') || chr(10)
    || encode(sha256(convert_to('vialward event 1' || chr(10) || canonical || chr(10), 'UTF8')), 'hex') || chr(10), 'UTF8'))
$$;
-- +goose StatementEnd

create table event (
  site       int not null references site,
  seq        bigint not null check (seq > 0),
  kind       text not null,
  at         timestamptz not null, -- when it happened
  entered_at timestamptz not null, -- when it was entered
  by_person  text not null check (by_person <> ''),
  via        text not null check (via <> ''),
  canonical  text not null,        -- the encoding everything else can be recomputed from
  hash       bytea not null check (octet_length(hash) = 32), -- chain_link of the event before and this line
  primary key (site, seq),
  check (coalesce((canonical::json ->> 'seq')::bigint = seq and (canonical::json ->> 'site')::int = site
    and canonical::json ->> 'kind' = kind and canonical::json ->> 'by' = by_person and canonical::json ->> 'via' = via, false)),
  check (canonical::json #>> '{body,witness}' is distinct from by_person) -- nobody stands beside themself
);
create index event_kind on event (site, kind, seq);
create index event_at on event (site, at);

create table event_vial (
  site int not null,
  vial text not null,
  seq  bigint not null,
  primary key (site, vial, seq),
  foreign key (site, seq) references event
);

-- What the site file said, each version whole. The newest is in force.
create table site_version (
  site      int not null references site,
  version   int not null check (version > 0),
  loaded_at timestamptz not null,
  document  text not null,
  seq       bigint not null, -- of the event that brought it
  primary key (site, version),
  foreign key (site, seq) references event
);

create table product_version (
  site     int not null references site,
  product  text not null,
  version  int not null check (version > 0),
  document text not null,
  made_at  timestamptz not null,
  approved_by text,
  approved_at timestamptz,
  seq      bigint not null,
  two_persons boolean generated always as (coalesce((document::json ->> 'two_persons')::boolean, false)) stored,
  primary key (site, product, version),
  foreign key (site, seq) references event,
  check ((approved_by is null) = (approved_at is null))
);

create table batch (
  site         int not null references site,
  batch        text not null,
  product      text not null,
  version      int not null,
  started_at   timestamptz not null,
  completed_at timestamptz not null,
  prepared_by  text not null,
  taken_over   boolean not null,
  bud          timestamptz not null,
  latest_bud   timestamptz not null, -- the earliest of all candidates
  earliest_component_end timestamptz,
  document     text not null,
  seq          bigint not null,
  primary key (site, batch),
  foreign key (site, seq) references event,
  foreign key (site, product, version) references product_version,
  check (completed_at >= started_at),
  check (bud <= latest_bud),
  check (earliest_component_end is null or bud <= earliest_component_end),
  check (taken_over or bud > started_at)
);

create table batch_component (
  site    int not null,
  batch   text not null,
  n       int not null,
  name    text not null,
  lot     text not null,
  ends_at timestamptz,
  seq     bigint not null,
  primary key (site, batch, n),
  foreign key (site, batch) references batch
);
-- Steps of a batch's record, as they are signed: none without the one before it.
create table batch_step (
  site      int not null,
  batch     text not null,
  n         int not null check (n > 0),
  above     int generated always as (nullif(n - 1, 0)) stored,
  name      text not null,
  by_person text not null check (by_person <> ''), -- who did it; who entered it stands in the event
  at        timestamptz not null,
  seq       bigint not null,
  primary key (site, batch, n),
  foreign key (site, batch) references batch,
  foreign key (site, batch, above) references batch_step (site, batch, n),
  foreign key (site, seq) references event
);
-- A batch is closed once.
create table batch_closing (
  site     int not null,
  batch    text not null,
  document text not null,
  seq      bigint not null,
  primary key (site, batch),
  foreign key (site, batch) references batch,
  foreign key (site, seq) references event
);
create index batch_component_lot on batch_component (site, lot);

create table vial (
  site        int not null,
  vial        text not null,
  batch       text not null,
  serial      int not null check (serial > 0),
  product     text not null,
  version     int not null,
  prepared_by text not null,
  verified_by text,
  state       text not null check (state in ('prepared','available','issued','given','discarded','lost','voided','sent')),
  bud         timestamptz not null,
  label       int not null check (label >= 0),
  unit        text,
  shelf       text,
  area        text,
  destination text,
  punctured_at timestamptz,
  last_seen   timestamptz not null,
  closed_by   text,
  closed_at   timestamptz,
  holds       text not null default '[]', -- the vial's own holds as they stand; vial_hold is their index
  seq         bigint not null,
  primary key (site, vial),
  unique (site, batch, serial),
  foreign key (site, batch) references batch,
  check (verified_by is distinct from prepared_by),                              -- the preparer does not verify
  check (verified_by is not null or state in ('prepared','discarded','lost','voided')), -- unverified stock goes nowhere
  check (extract(epoch from bud) % 60 = 0),
  check ((state in ('given','discarded','lost','voided','sent')) = (closed_by is not null)),
  check ((closed_by is null) = (closed_at is null)),
  check ((unit is null) = (shelf is null))
);
-- In stock, by place and by end: what the sweep walks.
create index vial_in_unit on vial (site, unit, bud) where state in ('prepared','available');
create index vial_open_bud on vial (site, bud) where state in ('prepared','available','issued');
create index vial_product on vial (site, product, state, bud);
create index vial_batch on vial (site, batch);

-- At most one standing closing event a vial; finding a lost one takes its row away.
create table vial_closing (
  site int not null,
  vial text not null,
  seq  bigint not null,
  kind text not null check (kind in ('given','discarded','lost','voided','sent')),
  primary key (site, vial),
  foreign key (site, vial) references vial,
  foreign key (site, vial, seq) references event_vial -- an event of this vial
);

create table vial_hold (
  site int not null,
  vial text not null,
  kind text not null,
  seq  bigint not null, -- of the event that placed it
  primary key (site, vial, kind, seq),
  foreign key (site, vial) references vial
);

-- Where a vial was, from when to when. "possible" = it may have been there: unrecorded moves, found vials.
create table stay (
  site     int not null,
  vial     text not null,
  from_at  timestamptz not null,
  to_at    timestamptz, -- null = still there
  unit     text not null,
  shelf    text not null,
  possible boolean not null default false,
  seq      bigint not null,
  primary key (site, vial, from_at, seq, unit, shelf),
  foreign key (site, vial) references vial,
  check (to_at is null or to_at >= from_at)
);
create index stay_unit on stay (site, unit, (coalesce(to_at, 'infinity'::timestamptz)));

-- Drafts of short numbers: batch codes of a local day, case and list numbers.
create table counter (
  site int not null references site,
  name text not null,
  last bigint not null check (last >= 0),
  primary key (site, name)
);

create table area_status (
  site     int not null references site,
  area     text not null,
  from_at  timestamptz not null,
  category text not null check (category in ('', '1', '2', '3')),
  reason   text not null,
  seq      bigint not null,
  primary key (site, area, from_at, seq),
  foreign key (site, seq) references event
);

create table api_token (
  site       int not null references site,
  number     bigint generated always as identity, -- as people name it
  token_hash bytea not null,
  person     text not null,
  scopes     text[] not null check (cardinality(scopes) > 0 and scopes <@ '{act,read,readings}'),
  sensors    text[],  -- for scope readings: which; null = all
  name       text not null,
  created_at timestamptz not null,
  expires_at timestamptz,
  used_at    timestamptz, -- the last time, to a minute
  revoked_at timestamptz,
  primary key (site, token_hash)
);
create unique index api_token_hash on api_token (token_hash);

-- Rule 1: a beyond-use date never moves later. Rule 9: the record is only added to.
-- +goose StatementBegin
create function keep_vial() returns trigger language plpgsql as $$
declare ceiling timestamptz;
begin
  if tg_op = 'INSERT' then
    select bud into ceiling from batch where site = new.site and batch = new.batch;
    if new.bud > ceiling then
      raise exception 'vial % would outlive its batch: % is after %', new.vial, new.bud, ceiling using errcode = 'check_violation';
    end if;
    return new;
  end if;
  if new.bud > old.bud then
    raise exception 'the beyond-use date of vial % never moves later: % is after %', new.vial, new.bud, old.bud using errcode = 'check_violation';
  end if;
  if (new.site, new.vial, new.batch, new.serial, new.product, new.version, new.prepared_by)
     is distinct from (old.site, old.vial, old.batch, old.serial, old.product, old.version, old.prepared_by) then
    raise exception 'vial % keeps its batch, serial and preparer for good', old.vial using errcode = 'check_violation';
  end if;
  if old.verified_by is not null and new.verified_by is distinct from old.verified_by then
    raise exception 'vial % keeps its verifier for good', old.vial using errcode = 'check_violation';
  end if;
  if old.verified_by is null and exists (select from batch_step where site = new.site and batch = new.batch and by_person = new.verified_by) then
    raise exception '% did a step of the preparation of vial %, and does not verify it', new.verified_by, old.vial using errcode = 'check_violation';
  end if;
  if new.seq <= old.seq then
    raise exception 'vial % changes by an event, and by none twice', old.vial using errcode = 'check_violation';
  end if;
  if old.closed_by is not null and new.state <> old.state and old.state <> 'lost' then
    raise exception 'vial % is %: only a lost one comes back', old.vial, old.state using errcode = 'check_violation';
  end if;
  if new.label < old.label then
    raise exception 'label % of vial % is not used again', new.label, old.vial using errcode = 'check_violation';
  end if;
  return new;
end $$;
-- Rule 9, the other way round: whoever verified a vial had no hand in its preparation.
create function keep_step() returns trigger language plpgsql as $$
begin
  if exists (select from vial where site = new.site and batch = new.batch and verified_by = new.by_person) then
    raise exception '% verified vials of batch %, and did no step of its preparation', new.by_person, new.batch using errcode = 'check_violation';
  end if;
  return new;
end $$;
-- A stay is recorded once; all that can be said of it later is when it ended.
create function keep_stay() returns trigger language plpgsql as $$
begin
  if old.to_at is not null or new.to_at is null or (new.site, new.vial, new.from_at, new.unit, new.shelf, new.possible, new.seq)
     is distinct from (old.site, old.vial, old.from_at, old.unit, old.shelf, old.possible, old.seq) then
    raise exception 'the stay of vial % at % is recorded: it may end, once', old.vial, old.unit using errcode = 'check_violation';
  end if;
  return new;
end $$;
-- A token is used, and revoked, once; nothing else of it changes.
create function keep_token() returns trigger language plpgsql as $$
begin
  if old.revoked_at is not null or to_jsonb(new) - '{revoked_at,used_at}'::text[] is distinct from to_jsonb(old) - '{revoked_at,used_at}'::text[]
     or coalesce(new.used_at < old.used_at, new.used_at is null and old.used_at is not null) then
    raise exception 'a token may be used, and revoked, once' using errcode = 'check_violation';
  end if;
  return new;
end $$;
-- Rule 5: a person releases and discards, software never does.
create function by_a_person() returns trigger language plpgsql as $$
begin
  if exists (select from event e where e.site = new.site and e.seq = new.seq and (e.via = 'daemon' or e.by_person = 'vialward')) then
    raise exception '%: a named person decides this, no rule does', tg_table_name using errcode = 'check_violation';
  end if;
  return new;
end $$;
-- Whoever decides is not alone where two are asked: at every loss and void, and for a product of two persons whenever it
-- is discarded or released from a hold.
create function two_persons() returns trigger language plpgsql as $$
declare alone record;
begin
  select a.vial, e.kind into alone from added a join event e using (site, seq)
    where e.kind in ('discarded','lifted','released','lost','voided') and coalesce(e.canonical::json #>> '{body,witness}', '') = ''
      and (e.kind in ('lost','voided') or exists (select from vial v join product_version p using (site, product, version)
        where v.site = a.site and v.vial = a.vial and p.two_persons))
    limit 1;
  if found then
    raise exception 'vial % is not % by one person alone: a second one stands beside', alone.vial, alone.kind using errcode = 'check_violation';
  end if;
  return null;
end $$;
-- What a person decides by name carries their signature; what a rule did, and a site's first set-up by the machine's
-- account, does not (21 CFR 11.50 and 11.70: M).
create function signed() returns trigger language plpgsql as $$
declare s json := new.canonical::json #> '{body,signature}';
begin
  if new.kind in ('verified','lifted','released','shortened','sweep_confirmed','site_loaded','product_approved') and new.via not in ('daemon','account')
     and not coalesce(s ->> 'person' = new.by_person and s ->> 'name' <> '' and s ->> 'meaning' <> '' and s ->> 'method' <> ''
       and (s ->> 'at')::timestamptz = new.entered_at and s ->> 'over' ~ '^[0-9a-f]{64}$', false) then
    raise exception 'event % of site % (%) is signed by whoever did it', new.seq, new.site, new.kind using errcode = 'check_violation';
  end if;
  return new;
end $$;
create function only_added_to() returns trigger language plpgsql as $$
begin
  raise exception 'table % is only added to', tg_table_name using errcode = 'insufficient_privilege';
end $$;
-- One order per site without holes: the head row is locked by whoever adds, so the newest seq is the head. Each event
-- carries the hash that binds it to the one before, and moves the head.
create function next_in_order() returns trigger language plpgsql as $$
declare
  last  bigint;
  bound bytea;
begin
  select seq, hash into last, bound from event where site = new.site order by seq desc limit 1;
  if new.seq <> 1 + coalesce(last, 0) then
    raise exception 'event % of site % is out of order', new.seq, new.site using errcode = 'check_violation';
  end if;
  if new.hash is distinct from chain_link(coalesce(bound, decode(repeat('00', 32), 'hex')), new.canonical) then
    raise exception 'event % of site % is not bound to the one before it', new.seq, new.site using errcode = 'check_violation';
  end if;
  if (new.canonical::json ->> 'at')::timestamptz is distinct from new.at
     or (new.canonical::json ->> 'entered_at')::timestamptz is distinct from new.entered_at then
    raise exception 'event % of site % says another time than its line', new.seq, new.site using errcode = 'check_violation';
  end if;
  return new;
end $$;
create function move_head() returns trigger language plpgsql security definer set search_path = public, pg_temp as $$
begin
  update site set head = new.seq, head_hash = new.hash where site = new.site;
  return null;
end $$;
create function keep_head() returns trigger language plpgsql as $$
begin
  if (new.site, new.code) is distinct from (old.site, old.code) then
    raise exception 'site % keeps its number and code', old.code using errcode = 'check_violation';
  end if;
  if (new.head, new.head_hash) is distinct from (old.head, old.head_hash) and not exists (
    select from event e where e.site = new.site and e.seq = new.head and e.hash = new.head_hash and e.seq = old.head + 1
  ) then
    raise exception 'the head of site % moves with its events', old.code using errcode = 'check_violation';
  end if;
  return new;
end $$;
-- +goose StatementEnd
create trigger keep_vial before insert or update on vial for each row execute function keep_vial();
create trigger no_delete before delete or truncate on vial for each statement execute function only_added_to();
create trigger no_delete before delete or truncate on site for each statement execute function only_added_to();
create trigger no_delete before delete or truncate on stay for each statement execute function only_added_to();
create trigger keep_step before insert on batch_step for each row execute function keep_step();
create trigger keep_stay before update on stay for each row execute function keep_stay();
create trigger no_delete before delete or truncate on api_token for each statement execute function only_added_to();
create trigger keep_token before update on api_token for each row execute function keep_token();
create trigger by_a_person before insert on vial_closing for each row execute function by_a_person();
create trigger two_persons after insert on event_vial referencing new table as added for each statement execute function two_persons();
create trigger next_in_order before insert on event for each row execute function next_in_order();
create trigger signed before insert on event for each row execute function signed();
create trigger move_head after insert on event for each row execute function move_head();
create trigger keep_head before update on site for each row execute function keep_head();
create trigger only_added_to before update or delete or truncate on event for each statement execute function only_added_to();
create trigger only_added_to before update or delete or truncate on event_vial for each statement execute function only_added_to();
create trigger only_added_to before update or delete or truncate on batch for each statement execute function only_added_to();
create trigger only_added_to before update or delete or truncate on batch_component for each statement execute function only_added_to();
create trigger only_added_to before update or delete or truncate on batch_step for each statement execute function only_added_to();
create trigger only_added_to before update or delete or truncate on batch_closing for each statement execute function only_added_to();
create trigger only_added_to before update or delete or truncate on product_version for each statement execute function only_added_to();
create trigger only_added_to before update or delete or truncate on area_status for each statement execute function only_added_to();
create trigger only_added_to before update or delete or truncate on site_version for each statement execute function only_added_to();

grant select on all tables in schema public to vialward_daemon;
grant insert on site, site_version, product_version, event, event_vial, batch, batch_component, batch_step, batch_closing, vial, vial_closing,
  vial_hold, stay, counter, area_status, api_token to vialward_daemon;
grant update on vial, counter to vialward_daemon;
grant update (zone) on site to vialward_daemon;
grant update (to_at) on stay to vialward_daemon;
grant update (revoked_at, used_at) on api_token to vialward_daemon;
grant delete on vial_closing, vial_hold to vialward_daemon; -- working rows: what stands now
