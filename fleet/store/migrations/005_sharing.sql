-- What has been published, so that later publications can't be subtracted from earlier ones, and other benches'
-- tallies. Units stand in groups of at least min_units; what a group gave away stays as it was.

create table share_state (
    only_row boolean primary key default true check (only_row),
    min_units integer not null check (min_units >= 2),
    identity varchar not null,  -- tells this store's tallies from others'; made by chance
    policy varchar,             -- what of the target policy decided the attainment published, JSON
    revision bigint,            -- of the store when groups were last brought up to date, and units then waiting
    waiting bigint
);

create table share_group (
    group_id integer primary key,
    kind varchar not null,      -- units, repeats, faulty, or cut.<link>
    formed_on date not null,
    units integer not null,
    labels varchar not null,    -- JSON: what all units of the group have in common
    content varchar not null,   -- JSON: sums over its units, as exported
    counts varchar,             -- JSON: attainment under the published policy, once it was
    withdrawn boolean not null default false
);

-- unit: a token and assembly, or the place of a sheet without a serial. record: hash of the sheets it stood on.
create table share_member (
    group_id integer not null,
    unit varchar not null,
    record varchar not null,
    primary key (group_id, unit)
);

create table shared_tallies (
    code varchar primary key,
    identity varchar not null unique,
    digest varchar not null,
    made_on date not null,
    taken_in_at timestamp not null,
    units bigint not null,
    min_units integer not null,
    same_codes varchar not null check (same_codes in ('none', 'families', 'sources', 'all')),
    file blob not null
);
