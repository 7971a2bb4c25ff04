-- What is known of technicians' ways of working, over what was collected and over the views of before. A number is null
-- below its least sample; nobody is compared with himself or across packs, sheets and revisions.

-- How far the counted strokes of one check lie apart, as the mean of the checks' variances: each check is one sample of
-- it, whatever its strokes. Checks with two counted strokes or more. Least sample 20 checks.
CREATE VIEW shop_stroke_scatter AS
SELECT shop, sheet_name, sheet_revision, pack, technician, count(*) AS checks, CAST(sum(strokes) AS BIGINT) AS strokes,
  CASE WHEN count(*) >= 20 THEN avg(within_nm2) END AS variance_nm2,
  CASE WHEN count(*) >= 20 THEN sum(within_nm2 * within_nm2) / (count(*) - 1)
    - avg(within_nm2) * avg(within_nm2) * count(*) / (count(*) - 1) END AS variance_of_variance_nm4
FROM (SELECT shop, sheet_name, sheet_revision, pack, technician, bench, job, "check", count(*) AS strokes,
    sum(off_nm * off_nm) / (count(*) - 1) AS within_nm2
  FROM (SELECT s.*, CAST(s.held_travel_nm AS DOUBLE PRECISION)
      - avg(CAST(s.held_travel_nm AS DOUBLE PRECISION)) OVER of_check AS off_nm
    FROM collected_strokes s
    WHERE s.accepted AND NOT s.seat AND s.technician <> '' AND s.sheet_name <> ''
      AND s.gauge_standing NOT IN ('out', 'out of control')
    WINDOW of_check AS (PARTITION BY s.shop, s.bench, s.job, s."check", s.technician)) AS counted
  GROUP BY shop, sheet_name, sheet_revision, pack, technician, bench, job, "check"
  HAVING count(*) >= 2) AS checks
GROUP BY shop, sheet_name, sheet_revision, pack, technician;

-- What each technician finds packs to be as they come in. Least sample 20 packs.
CREATE VIEW shop_technician_level AS
SELECT shop, sheet_name, sheet_revision, pack, technician, count(*) AS packs,
  CASE WHEN count(*) >= 20 THEN avg(off_nm) END AS mean_off_preferred_nm,
  CASE WHEN count(*) >= 20 THEN (sum(off_nm * off_nm) - count(*) * avg(off_nm) * avg(off_nm)) / (count(*) - 1) END
    AS variance_nm2
FROM (SELECT c.*, CAST(c.mean_nm - c.preferred_nm AS DOUBLE PRECISION) AS off_nm FROM shop_checks c
  WHERE c.suspect = 0 AND c.attempt = 1 AND c.parts_changed = 0 AND c.preferred_nm IS NOT NULL AND c.technician <> '')
  AS found
GROUP BY shop, sheet_name, sheet_revision, pack, technician;
