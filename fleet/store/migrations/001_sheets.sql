-- Sheets with every version ever taken in, the intakes they came by, and the revision counter.

create table schema_version (
    version integer primary key,
    name varchar not null,
    applied_at timestamp not null
);

-- One row. The revision grows with every change, in the transaction that makes it.
-- key_check tells the token key from another one without giving it away.
create table store_state (
    only_row boolean primary key default true check (only_row),
    revision bigint not null,
    key_check varchar
);
insert into store_state values (true, 0, null);

create table intake (
    intake_id integer primary key,
    file_name varchar not null,
    taken_in_at timestamp not null,
    rows_read bigint not null,
    accepted bigint not null,
    put_aside bigint not null,
    already_there bigint not null,
    superseded bigint not null,
    undone_at timestamp,
    check (accepted + put_aside + already_there = rows_read)
);

-- How many rows of which intake were erased for good; not whose.
create table forgotten (
    forgotten_on date not null,
    intake_id integer not null,
    rows_erased bigint not null
);

-- The ranges are the catalogue's (fleet/columns.py); the checks at the door report, these only hold the line.
create table sheet (
    intake_id integer not null,
    version integer not null check (version >= 1),
    marks varchar, -- plausibility warnings that the accepted row got at the door
    sheet_no varchar not null,
    measured_on date not null,
    serial_token varchar,
    enquiry_id varchar,
    bench varchar not null,
    operator varchar,
    purpose varchar not null,
    body_family varchar not null,
    generator varchar,
    stylus_profile varchar,
    cantilever_material varchar,
    assembly_source varchar,
    hours_used double check (hours_used between 0 and 20000),
    vtf_mn double check (vtf_mn between 5 and 60),
    compliance_um_per_mn double check (compliance_um_per_mn between 2 and 80),
    compliance_frequency_hz double check (compliance_frequency_hz in (0, 10, 100)),
    cantilever_length_mm double check (cantilever_length_mm between 2 and 12),
    temperature_c double check (temperature_c between 5 and 45),
    sra_static_deg double check (sra_static_deg between 60 and 120),
    sra_dynamic_deg double check (sra_dynamic_deg between 60 and 120),
    vta_dynamic_deg double check (vta_dynamic_deg between 0 and 60),
    azimuth_optical_deg double check (azimuth_optical_deg between -20 and 20),
    azimuth_electrical_deg double check (azimuth_electrical_deg between -20 and 20),
    crosstalk_l_to_r_db double check (crosstalk_l_to_r_db between -80 and 0),
    crosstalk_r_to_l_db double check (crosstalk_r_to_l_db between -80 and 0),
    crosstalk_phase_l_to_r_deg double check (crosstalk_phase_l_to_r_deg between -180 and 180),
    crosstalk_phase_r_to_l_deg double check (crosstalk_phase_r_to_l_deg between -180 and 180),
    channel_balance_db double check (channel_balance_db between -20 and 20),
    zenith_deg double check (zenith_deg between -30 and 30),
    height_mm double check (height_mm between 5 and 35),
    tip_to_mount_mm double check (tip_to_mount_mm between 0 and 30),
    tilt_room_deg double check (tilt_room_deg between 0 and 20),
    tilt_applied_deg double check (tilt_applied_deg between -20 and 20),
    roll_applied_deg double check (roll_applied_deg between -20 and 20),
    sra_after_deg double check (sra_after_deg between 60 and 120),
    vta_after_deg double check (vta_after_deg between 0 and 60),
    bench_minutes double check (bench_minutes between 1 and 2000),
    remedy varchar,
    peculiarities varchar,
    primary key (bench, sheet_no, version)
);

-- The newest version of each sheet that isn't undone.
create view latest_sheet as
with live as (
    select s.rowid as row_id, s.*
    from sheet s
    where s.intake_id not in (select i.intake_id from intake i where i.undone_at is not null)
),
corrected as (
    select bench, sheet_no, max(version) as newest_version
    from live
    where version > 1
    group by bench, sheet_no
)
select live.*
from live
left join corrected on corrected.bench = live.bench and corrected.sheet_no = live.sheet_no
where corrected.newest_version is null or corrected.newest_version = live.version;

-- A unit is a serial token and the number of its assembly. In order of date, a retipped sheet starts the next
-- assembly, and so does a source, profile or cantilever that differs from the last one known.
-- A check pickup's readings never hide a unit's own newest sheet. Only tokens with several sheets are here:
-- one sheet alone is its own newest, and its unit's first assembly.
create view sheet_unit as
with several as (
    select serial_token
    from latest_sheet
    where serial_token is not null
    group by serial_token
    having count(*) > 1
),
dated as (
    select
        row_id, bench, sheet_no, serial_token, purpose, measured_on,
        assembly_source, stylus_profile, cantilever_material,
        coalesce(';' || peculiarities || ';' like '%;retipped;%', false) as retipped
    from latest_sheet
    where serial_token in (select serial_token from several)
),
tipped as (
    select
        *,
        sum(case when retipped then 1 else 0 end) over w as tip,
        row_number() over w as place
    from dated
    window w as (partition by serial_token order by measured_on, sheet_no, bench rows unbounded preceding)
),
compared as (
    select
        *,
        (retipped and place > 1)
        or coalesce(assembly_source <> lag(assembly_source ignore nulls) over w, false)
        or coalesce(stylus_profile <> lag(stylus_profile ignore nulls) over w, false)
        or coalesce(cantilever_material <> lag(cantilever_material ignore nulls) over w, false)
        as starts
    from tipped
    window w as (partition by serial_token, tip order by measured_on, sheet_no, bench)
),
numbered as (
    select
        *,
        1 + sum(case when starts then 1 else 0 end) over (
            partition by serial_token order by measured_on, sheet_no, bench rows unbounded preceding
        ) as assembly
    from compared
)
select
    row_id,
    serial_token || '-' || assembly::integer as unit,
    row_number() over (
        partition by serial_token, assembly, purpose order by measured_on desc, sheet_no desc, bench desc
    ) = 1 as newest
from numbered;

-- A sheet without a serial is its own unit.
create view current_sheet as
select
    latest_sheet.* exclude (row_id),
    coalesce(
        sheet_unit.unit,
        latest_sheet.serial_token || '-1',
        'sheet:' || latest_sheet.bench || ':' || latest_sheet.sheet_no
    ) as unit,
    coalesce(sheet_unit.newest, true) as newest
from latest_sheet
left join sheet_unit on sheet_unit.row_id = latest_sheet.row_id;

-- What teaches: each unit once, by its newest sheet, and never the bench's own check pickup.
create view teaching_sheet as
select * from current_sheet where purpose = 'unit' and newest;
