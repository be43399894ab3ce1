-- Current sheets as before, with less work: a verdict is looked for by the unit of sheets with marks alone, so
-- no unit's name is formed for the others.

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
    on looked_at.unit = case
        when latest_sheet.marks is not null then coalesce(
            sheet_unit.unit,
            latest_sheet.serial_token || '-1',
            'sheet:' || latest_sheet.bench || ':' || latest_sheet.sheet_no
        )
    end
    and looked_at.day >= latest_sheet.measured_on;
