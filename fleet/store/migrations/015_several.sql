-- Which sheet is whose, as before, from sheets of serials with several as a view of their own: who looks through a
-- whole fleet has these in a table, with a number that tells tokens apart nearly always in the token's place.
-- What may have changed its make-up is found by digests: of a figure left out they say so too, as of any change.

create view sheet_of_several as
with several as (
    select serial_token
    from latest_sheet
    where serial_token is not null
    group by serial_token
    having count(*) > 1
)
select
    row_id, serial_token as token, bench, sheet_no, serial_token, purpose, measured_on,
    assembly_source, stylus_profile, cantilever_material, peculiarities
from latest_sheet
where serial_token in (select serial_token from several);

create or replace view sheet_unit as
with dated as (
    select
        row_id, token, bench, sheet_no, serial_token, purpose, measured_on,
        assembly_source, stylus_profile, cantilever_material,
        coalesce(';' || peculiarities || ';' like '%;retipped;%', false) as retipped,
        hash(serial_token, assembly_source, stylus_profile, cantilever_material) as make_up
    from sheet_of_several
),
changed as (
    select token
    from dated
    group by token
    having bool_or(retipped) or min(make_up) <> max(make_up)
),
newest_of_token as (
    select max({'day': measured_on, 'sheet_no': sheet_no, 'bench': bench, 'row_id': row_id}).row_id as row_id
    from dated
    group by token, purpose
),
tipped as (
    select
        *,
        sum(case when retipped then 1 else 0 end) over w as tip,
        row_number() over w as place
    from dated
    where token in (select token from changed)
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
select row_id, serial_token || '-1' as unit, row_id in (select row_id from newest_of_token) as newest
from dated
where token not in (select token from changed);
