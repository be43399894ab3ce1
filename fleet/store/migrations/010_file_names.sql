-- A file's name may be a customer's: of every file only its kind is kept, and from now on its place in the intake.

update intake set file_name = 'file' || coalesce(regexp_extract(lower(file_name), '[.](csv|xlsx|parquet)$'), '');
