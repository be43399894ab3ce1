-- A sheet whose readings can't be true together doesn't teach until somebody has looked at it: until it is
-- corrected, or its unit has a verdict of that day or later. Marks that were looked at are shown no more.

create or replace view current_sheet as
select
    latest_sheet.* exclude (row_id) replace (
        case when looked_at.day is null then latest_sheet.marks end as marks
    ),
    coalesce(
        sheet_unit.unit,
        latest_sheet.serial_token || '-1',
        'sheet:' || latest_sheet.bench || ':' || latest_sheet.sheet_no
    ) as unit,
    coalesce(sheet_unit.newest, true) as newest
from latest_sheet
left join sheet_unit on sheet_unit.row_id = latest_sheet.row_id
left join (select unit, max(recorded_on) as day from verdict where not withdrawn group by unit) looked_at
    on looked_at.unit = coalesce(
        sheet_unit.unit,
        latest_sheet.serial_token || '-1',
        'sheet:' || latest_sheet.bench || ':' || latest_sheet.sheet_no
    )
    and looked_at.day >= latest_sheet.measured_on;

-- Codes as in fleet.columns.HELD_BACK.
create or replace view teaching_sheet as
select * from current_sheet
where
    purpose = 'unit' and newest
    and (
        marks is null
        or not list_has_any(
            string_split(marks, ';'),
            ['sag_reversed', 'sag_huge', 'built_in_odd', 'tracking_flat', 'height_odd', 'date_old', 'minutes_many']
        )
    );

-- Units with a sheet that was held back, whether somebody has looked since or not.
create view marked_unit as
select distinct current_sheet.unit
from current_sheet
join sheet using (bench, sheet_no, version)
where list_has_any(
    string_split(sheet.marks, ';'),
    ['sag_reversed', 'sag_huge', 'built_in_odd', 'tracking_flat', 'height_odd', 'date_old', 'minutes_many']
);

-- Sums of the last full refit may hold such sheets.
delete from model_base;
