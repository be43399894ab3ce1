-- Which sheet is whose, as before, with less work: most serials stay one assembly, whose sheets need no comparing.

create or replace view sheet_unit as
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
changed as (
    select serial_token
    from dated
    group by serial_token
    having
        bool_or(retipped)
        or min(assembly_source) <> max(assembly_source)
        or min(stylus_profile) <> max(stylus_profile)
        or min(cantilever_material) <> max(cantilever_material)
),
plain as (
    select * from dated where serial_token not in (select serial_token from changed)
),
last_of_plain as (
    select max({'day': measured_on, 'sheet_no': sheet_no, 'bench': bench, 'row_id': row_id}).row_id as row_id
    from plain
    group by serial_token, purpose
),
tipped as (
    select
        *,
        sum(case when retipped then 1 else 0 end) over w as tip,
        row_number() over w as place
    from dated
    where serial_token in (select serial_token from changed)
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
from numbered
union all
select row_id, serial_token || '-1' as unit, row_id in (select row_id from last_of_plain) as newest
from plain;
