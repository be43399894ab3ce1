-- Format 1 of published groups let single units be worked out. Which format a group's content has; what the errors
-- of blurred readings are drawn from (told to nobody). Groups are brought up to date at the next publication.
-- Other benches' tallies of format 1 are erased: they must be exported again.

alter table share_group add column format integer default 1;
alter table share_state add column blur_key varchar;
update share_state set revision = null;
update shared_tallies set file = ''::blob;
