-- A month whose facts have not changed for an hour becomes one part: FINAL over one part costs nothing, over two it
-- compares every row of both. On whole partitions only, so that a month which changes is not merged again and again.
ALTER TABLE shift_facts MODIFY SETTING min_age_to_force_merge_seconds = 3600, min_age_to_force_merge_on_partition_only = 1
