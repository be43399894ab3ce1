-- A verdict that was taken back stays in the record and counts no more; the one before it does again.

alter table verdict add column withdrawn boolean default false;

create or replace view current_verdict as
select unit, outcome, fault, recorded_on
from verdict
where not withdrawn
qualify row_number() over (partition by unit order by revision desc) = 1;
