-- A target of a unit's own, in place of the policy's, and why: kept on the sheet that was aligned by it.

alter table sheet add column rake_aim_deg double;
alter table sheet add column tracking_limit_deg double;
alter table sheet add column target_reason varchar;
