-- Temperatures: what came in, the readings, excursions, and the holds that follow.

-- +goose Up
create table intake (
  site        int not null references site,
  intake      bigint not null check (intake > 0),
  source      text not null,  -- http, folder, command, mail, demo
  name        text not null,  -- file name or address
  by_person   text not null,
  received_at timestamptz not null,
  digest      bytea not null, -- SHA-256 of the bytes
  layout      text not null,  -- as described at that time; '' = plain form
  zone        text not null,
  values_read bigint not null default 0,
  stored      bigint not null default 0,
  duplicate   bigint not null default 0,
  conflicting bigint not null default 0,
  missing     bigint not null default 0,
  refused     bigint not null default 0,
  finished_at timestamptz,    -- null = interrupted: what was taken stays, sending it again is harmless
  seq           bigint,       -- of the event that finished it
  withdrawn_seq bigint,       -- its readings are set aside, kept
  primary key (site, intake),
  foreign key (site, seq) references event,
  foreign key (site, withdrawn_seq) references event,
  check ((finished_at is null) = (seq is null)),
  check (finished_at is null or values_read = stored + duplicate + conflicting + missing + refused)
);
create index intake_received on intake (site, received_at);

-- What became of all values of a site, summed as intakes finish: there are too many of them to be added up each time.
create table intake_total (
  site        int primary key references site,
  values_read bigint not null default 0,
  stored      bigint not null default 0,
  duplicate   bigint not null default 0,
  conflicting bigint not null default 0,
  missing     bigint not null default 0,
  refused     bigint not null default 0,
  check (values_read = stored + duplicate + conflicting + missing + refused)
);

-- What arrived is recorded as it arrived; its classes are written once, when all of it is taken; it is withdrawn once.
-- +goose StatementBegin
create function keep_intake() returns trigger language plpgsql as $$
begin
  if (new.site, new.intake, new.source, new.name, new.by_person, new.received_at, new.digest, new.layout, new.zone)
     is distinct from (old.site, old.intake, old.source, old.name, old.by_person, old.received_at, old.digest, old.layout, old.zone) then
    raise exception 'intake % keeps what it was', old.intake using errcode = 'check_violation';
  end if;
  if (old.finished_at is not null or old.withdrawn_seq is not null)
     and (new.finished_at, new.seq, new.values_read, new.stored, new.duplicate, new.conflicting, new.missing, new.refused)
     is distinct from (old.finished_at, old.seq, old.values_read, old.stored, old.duplicate, old.conflicting, old.missing, old.refused) then
    raise exception 'intake % is finished or withdrawn: its classes stand', old.intake using errcode = 'check_violation';
  end if;
  if old.withdrawn_seq is not null and new.withdrawn_seq is distinct from old.withdrawn_seq then
    raise exception 'intake % was withdrawn before', old.intake using errcode = 'check_violation';
  end if;
  return new;
end $$;
-- +goose StatementEnd
create trigger keep_intake before update on intake for each row execute function keep_intake();

create table refused_value (
  site   int not null,
  intake bigint not null,
  n      int not null,
  line   bigint not null,
  why    text not null,
  primary key (site, intake, n),
  foreign key (site, intake) references intake
);
create trigger only_added_to before update or delete or truncate on refused_value for each statement execute function only_added_to();

-- Readings of one sensor, one intake and one UTC day at most, in one row: immutable, packed (instants and values as
-- differences, see the Go package), a fiftieth of a row a reading. Both values of a conflicting instant are kept, each
-- in its own intake's row.
create table reading (
  site       int not null,
  sensor     text not null,
  from_at    timestamptz not null,
  to_at      timestamptz not null,
  intake     bigint not null,
  part       int not null, -- running number within the intake, from 1
  n          int not null check (n > 0),
  min_millic int not null check (min_millic between -200000 and 200000),
  max_millic int not null check (max_millic between -200000 and 200000),
  packed     bytea not null,
  primary key (site, sensor, from_at, intake, part),
  check (to_at >= from_at and to_at < from_at + interval '24 hours'),
  check (min_millic <= max_millic)
) partition by range (from_at);
create index reading_intake on reading (site, intake, part); -- what one brought, in the order in which it was hashed

-- Makes the partition of the month that t lies in. Months are UTC: bounds carry their offset.
-- +goose StatementBegin
create function make_reading_month(t timestamptz) returns void language plpgsql security definer
  set search_path = public, pg_temp set timezone = 'UTC' as $$
declare
  low  timestamptz := date_trunc('month', t);
  high timestamptz := low + interval '1 month';
  name text := 'reading_' || to_char(low, 'YYYYMM');
begin
  if to_regclass(name) is null then
    perform pg_advisory_xact_lock(hashtext('make_reading_month'));
    if to_regclass(name) is null then
      -- Made beside the others and then attached: nobody who reads or writes the other months has to wait for it.
      execute format('create table %I (like reading including defaults including constraints)', name);
      execute format('create trigger only_added_to before update or delete or truncate on %I for each statement execute function only_added_to()', name);
      execute format('grant select, insert on %I to vialward_daemon', name);
      execute format('alter table reading attach partition %I for values from (%L) to (%L)', name, low, high);
    end if;
  end if;
exception when duplicate_table then null; -- another transaction made it just now
end $$;
-- +goose StatementEnd
create trigger only_added_to before update or delete or truncate on reading for each statement execute function only_added_to();

-- Working row a sensor: its lock orders intakes, its last reading feeds pages and metrics.
create table sensor_now (
  site         int not null references site,
  sensor       text not null,
  last_at      timestamptz,
  last_millic  int check (last_millic between -200000 and 200000),
  last_receipt timestamptz,
  silent_since timestamptz,          -- judged by receipt
  clock_suspect text not null default '',
  odd_minutes  int not null default 0, -- by how much the last deliveries were off, and how many in a row
  odd_count    int not null default 0,
  zone_declared text not null default '',
  steady_millic int,                   -- the newest value that counts, since when it has stood, in how many readings
  steady_since timestamptz,
  steady_count int not null default 0,
  awaited_since timestamptz,         -- while it has no reading on record: looked for since then,
  unheard_told  timestamptz,         -- and people last told of it
  primary key (site, sensor)
);

-- Working row a site: the silence of all its loggers, from when it was told until its end was.
create table site_silence (
  site    int primary key references site,
  since   timestamptz,  -- newest reading before it; null = there is none
  back_at timestamptz,  -- the first logger came back
  check (back_at is null or since is not null)
);

-- Working rows: states of the excursion machines of a sensor, one for each UTC day and the newest, so that late data
-- re-runs from the last one before it only.
create table checkpoint (
  site   int not null,
  sensor text not null,
  at     timestamptz not null, -- of the last reading the states have seen
  states bytea not null,
  primary key (site, sensor, at)
);

-- A case: one unit, one kind of trouble, one thread of mail. Never deleted.
create table incident (
  site       int not null references site,
  case_no    bigint not null check (case_no > 0),
  unit       text not null,
  kind       text not null check (kind in ('warm','cold','freeze','no_data')),
  state      text not null check (state in ('open','recovered','closed','merged','not borne out')),
  from_at    timestamptz not null,
  to_at      timestamptz,
  raised_at  timestamptz not null,
  recovered_at timestamptz,
  closed_at  timestamptz,
  merged_into bigint,
  late       boolean not null default false, -- was over before its readings arrived
  muted      boolean not null default false, -- planned work
  told       boolean not null default false, -- that it is out, and not yet that it is back
  in_thread  boolean not null default false, -- its thread of mail has begun
  together   boolean not null default false, -- told with the silence of all loggers, and so is its end
  late_untold timestamptz,                   -- found in late data then, and no mail has said so yet
  next_reminder timestamptz,
  primary key (site, case_no)
);
create index incident_open on incident (site, unit) where state = 'open';
create index incident_unit on incident (site, unit, (coalesce(to_at, 'infinity'::timestamptz)));
create index incident_together on incident (site) where together;
create index incident_untold on incident (site, late_untold) where late_untold is not null;

create table excursion (
  site        int not null,
  excursion   bigint not null check (excursion > 0),
  case_no     bigint not null,
  sensor      text not null,
  rule        text not null,
  kind        text not null check (kind in ('warm','cold','freeze','no_data')),
  unit        text not null,
  shelves     text[],               -- the sensor speaks for; null = all
  from_at     timestamptz not null,
  to_at       timestamptz,
  worst_from  timestamptz not null, -- last good reading before, or from_at where there is none
  worst_to    timestamptz,          -- first good reading after
  opened_at   timestamptz not null,
  cleared_at  timestamptz,
  extreme_millic int check (extreme_millic between -200000 and 200000), -- null for no data
  readings    int not null,
  freeze_readings int not null,
  document    text not null,        -- the machine's own form, for reconciling
  merged_into bigint,
  not_borne_out boolean not null default false,
  primary key (site, excursion),
  foreign key (site, case_no) references incident
);
create index excursion_sensor on excursion (site, sensor, rule, (coalesce(cleared_at, 'infinity'::timestamptz)));
create index excursion_case on excursion (site, case_no);

-- An excursion's hold is one row: every vial with a stay that meets it is on hold, moved, issued and later-found ones
-- included, until a pharmacist releases that vial from it.
create table hold (
  site      int not null,
  hold_id   bigint not null check (hold_id > 0),
  case_no   bigint not null,
  excursion bigint not null,
  kind      text not null,
  unit      text not null,
  shelves   text[], -- null = all
  from_at   timestamptz not null,
  to_at     timestamptz, -- null = still growing
  reached   timestamptz, -- the furthest end it ever had: grown anew, it does not end before that
  changed_seq  bigint not null default 0, -- newest event of late data that changed what is known within it
  changed_from timestamptz,               -- which time that was of
  changed_to   timestamptz,
  primary key (site, hold_id),
  unique (site, excursion),
  foreign key (site, excursion) references excursion,
  check (to_at is null or to_at >= from_at)
);
create index hold_unit on hold (site, unit, (coalesce(to_at, 'infinity'::timestamptz)));
create index hold_case on hold (site, case_no);

-- Released up to the end the hold had when it was decided: if it grows past that, the vial is undecided again.
create table hold_release (
  site       int not null,
  hold_id    bigint not null,
  vial       text not null,
  seq        bigint not null,
  covered_from timestamptz not null,
  covered_to timestamptz not null,
  primary key (site, hold_id, vial, seq),
  foreign key (site, hold_id) references hold,
  foreign key (site, vial) references vial,
  foreign key (site, vial, seq) references event_vial, -- an event of this vial
  check (covered_to >= covered_from)
);
create index hold_release_vial on hold_release (site, vial);
create trigger by_a_person before insert on hold_release for each row execute function by_a_person();

-- +goose StatementBegin
create function keep_hold() returns trigger language plpgsql as $$
begin
  if tg_op = 'UPDATE' then
    if new.from_at > old.from_at or new.to_at < old.reached then
      raise exception 'hold % of case % may grow, never shrink', old.hold_id, old.case_no using errcode = 'check_violation';
    end if;
    if (new.site, new.hold_id, new.case_no, new.excursion, new.kind, new.unit, new.shelves)
       is distinct from (old.site, old.hold_id, old.case_no, old.excursion, old.kind, old.unit, old.shelves)
       or new.changed_seq < old.changed_seq then
      raise exception 'hold % of case % keeps what it is for', old.hold_id, old.case_no using errcode = 'check_violation';
    end if;
    new.reached := old.reached;
  end if;
  new.reached := greatest(new.reached, new.to_at);
  return new;
end $$;
-- +goose StatementEnd
create trigger keep_hold before insert or update on hold for each row execute function keep_hold();
create trigger no_delete before delete or truncate on hold for each statement execute function only_added_to();
create trigger no_delete before delete or truncate on incident for each statement execute function only_added_to();
create trigger no_delete before delete or truncate on excursion for each statement execute function only_added_to();
create trigger only_added_to before update or delete or truncate on hold_release for each statement execute function only_added_to();
create trigger no_delete before delete or truncate on sensor_now for each statement execute function only_added_to();
create trigger no_delete before delete or truncate on intake for each statement execute function only_added_to();

create table planned_work (
  site    int not null references site,
  unit    text not null,
  from_at timestamptz not null,
  to_at   timestamptz not null,
  reason  text not null,
  by_person text not null,
  seq     bigint not null,
  primary key (site, unit, from_at, seq),
  foreign key (site, seq) references event,
  check (to_at > from_at)
);

create trigger only_added_to before update or delete or truncate on planned_work for each statement execute function only_added_to();

grant select on all tables in schema public to vialward_daemon;
grant insert on intake, intake_total, refused_value, reading, sensor_now, site_silence, checkpoint, incident, excursion, hold, hold_release,
  planned_work to vialward_daemon;
grant update on intake_total, sensor_now, site_silence, checkpoint, incident, excursion to vialward_daemon;
grant update (values_read, stored, duplicate, conflicting, missing, refused, finished_at, seq, withdrawn_seq) on intake to vialward_daemon;
grant update (from_at, to_at, changed_seq, changed_from, changed_to) on hold to vialward_daemon;
grant delete on checkpoint to vialward_daemon;
revoke execute on function make_reading_month from public;
grant execute on function make_reading_month to vialward_daemon;
