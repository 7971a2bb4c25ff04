-- The statistics of a shop, over what was collected. The same names in SQLite and PostgreSQL; what the two write
-- differently stands in braces. Lengths are nanometres. A number is null below its least sample.

-- A row a check that came to a verdict, as it stands without strokes that were left out since. `suspect` is 1 where the
-- gauge had been found out, or was found out before a check of it passed again, `last_of_pack` where the pack was not
-- checked again in its job.
CREATE VIEW shop_checks AS
SELECT v.shop, v.bench, v.job, v.unit_serial, v.pack, v."check", v.at, v.sheet_name, v.sheet_revision, v.technician,
  v.gauge_serial, v.attempt, v.parts_changed, v.unit_parts_changed, v.verdict, v.mean_nm, v.low_nm, v.high_nm,
  v.preferred_nm, v.standard_uncertainty_nm, v.conformance_probability, v.predicted_nm, v.changed_part,
  v.changed_from_nm, v.changed_to_nm, v.changed_closes, v.needs_a_master,
  CASE WHEN v.gauge_standing IN ('out', 'out of control') OR g.at IS NOT NULL THEN 1 ELSE 0 END AS suspect,
  CASE WHEN v."check" = v.last_check THEN 1 ELSE 0 END AS last_of_pack
FROM (SELECT w.*,
    row_number() OVER (PARTITION BY w.shop, w.bench, w.job, w."check" ORDER BY w.at DESC, w.id DESC) AS newest,
    max(w."check") OVER (PARTITION BY w.shop, w.bench, w.job, w.pack) AS last_check
  FROM collected_verdicts w) AS v
LEFT JOIN (SELECT t.shop, t.bench, t.gauge_serial, t.at, t.alarm,
    lag(t.at) OVER (PARTITION BY t.shop, t.bench, t.gauge_serial ORDER BY t.at) AS before_at
  FROM collected_gauge_checks t
  WHERE t.gauge_serial <> '' AND t.not_measured = '' AND (t.alarm OR t.result <> 'refused')) AS g
  ON g.alarm AND g.gauge_serial = v.gauge_serial AND g.shop = v.shop AND g.bench = v.bench AND v.at < g.at
    AND (g.before_at IS NULL OR v.at >= g.before_at)
WHERE v.newest = 1 AND v.not_measured = '' AND v.sheet_name <> '';

-- The units that are signed off now, as units and not as demonstrations.
CREATE VIEW shop_signed_units AS
SELECT u.shop, u.bench, u.job, u.unit_serial, u.sheet_name, u.sheet_revision, u.signed_off_at
FROM collected_units u
WHERE u.signed_off_by <> '' AND NOT EXISTS (
  SELECT 1 FROM collected_units w
  WHERE w.job = u.job AND w.shop = u.shop AND w.bench = u.bench
    AND (w.at > u.at OR (w.at = u.at AND w.id > u.id)));

-- The checks of suspect gauges, which no statistic below counts, by the day.
CREATE VIEW shop_left_out AS
SELECT c.shop, c.bench, c.gauge_serial, {date} AS day, count(*) AS checks
FROM shop_checks c WHERE c.suspect = 1
GROUP BY c.shop, c.bench, c.gauge_serial, {date};

-- Clearance as found: each pack's first check, before any of its parts was changed. Least sample 15.
CREATE VIEW shop_as_found AS
SELECT shop, sheet_name, sheet_revision, pack, count(*) AS packs, max(low_nm) AS low_nm, max(high_nm) AS high_nm,
  max(preferred_nm) AS preferred_nm,
  CASE WHEN count(*) >= 15 THEN avg(off_nm) END AS mean_off_preferred_nm,
  CASE WHEN count(*) >= 15 THEN (sum(off_nm * off_nm) - count(*) * avg(off_nm) * avg(off_nm)) / (count(*) - 1) END
    AS variance_nm2
FROM (SELECT c.*, CAST(c.mean_nm - c.preferred_nm AS DOUBLE PRECISION) AS off_nm FROM shop_checks c
  WHERE c.suspect = 0 AND c.attempt = 1 AND c.parts_changed = 0 AND c.preferred_nm IS NOT NULL) AS found
GROUP BY shop, sheet_name, sheet_revision, pack;

-- Clearance as built: each pack's last check in a unit that is signed off. Least sample 30.
CREATE VIEW shop_as_built AS
SELECT shop, sheet_name, sheet_revision, pack, count(*) AS packs, max(low_nm) AS low_nm, max(high_nm) AS high_nm,
  max(preferred_nm) AS preferred_nm,
  CASE WHEN count(*) >= 30 THEN avg(off_nm) END AS mean_off_preferred_nm,
  CASE WHEN count(*) >= 30 THEN (sum(off_nm * off_nm) - count(*) * avg(off_nm) * avg(off_nm)) / (count(*) - 1) END
    AS variance_nm2,
  CASE WHEN count(*) >= 30 THEN avg(CASE WHEN abs(2 * mean_nm - low_nm - high_nm) * 2 <= high_nm - low_nm
    THEN 1.0 ELSE 0.0 END) END AS share_in_middle_half
FROM (SELECT c.*, CAST(c.mean_nm - c.preferred_nm AS DOUBLE PRECISION) AS off_nm FROM shop_checks c
  JOIN shop_signed_units s ON s.job = c.job AND s.shop = c.shop AND s.bench = c.bench
  WHERE c.suspect = 0 AND c.preferred_nm IS NOT NULL AND c.last_of_pack = 1) AS built
GROUP BY shop, sheet_name, sheet_revision, pack;

-- How often a pack is good at its first check, is not settled by it, and would be, had the gauge been checked. Least
-- sample 20, and 50 before two may be compared.
CREATE VIEW shop_first_time_yield AS
SELECT shop, sheet_name, sheet_revision, pack, count(*) AS packs,
  sum(CASE WHEN verdict = 'good' THEN 1 ELSE 0 END) AS good,
  CASE WHEN count(*) >= 20 THEN avg(CASE WHEN verdict = 'good' THEN 1.0 ELSE 0.0 END) END AS yield,
  CASE WHEN count(*) >= 20 THEN avg(CASE WHEN verdict = 'inconclusive' THEN 1.0 ELSE 0.0 END) END AS inconclusive,
  CASE WHEN count(*) >= 20 THEN avg(CASE WHEN needs_a_master THEN 1.0 ELSE 0.0 END) END AS needs_a_master,
  CASE WHEN count(*) >= 50 THEN 1 ELSE 0 END AS comparable
FROM (SELECT c.* FROM shop_checks c WHERE c.suspect = 0 AND c.attempt = 1) AS first
GROUP BY shop, sheet_name, sheet_revision, pack;

-- Units whose packs were all good at their first check, of those that are signed off. Least sample 30.
CREATE VIEW shop_unit_yield AS
SELECT shop, sheet_name, sheet_revision, count(*) AS units, sum(good) AS good,
  CASE WHEN count(*) >= 30 THEN avg(CAST(good AS DOUBLE PRECISION)) END AS yield
FROM (SELECT c.shop, c.sheet_name, c.sheet_revision, c.bench, c.job,
    min(CASE WHEN c.verdict = 'good' THEN 1 ELSE 0 END) AS good, max(c.suspect) AS suspect
  FROM shop_checks c JOIN shop_signed_units s ON s.job = c.job AND s.shop = c.shop AND s.bench = c.bench
  WHERE c.attempt = 1
  GROUP BY c.shop, c.sheet_name, c.sheet_revision, c.bench, c.job) AS units
WHERE suspect = 0
GROUP BY shop, sheet_name, sheet_revision;

-- How many packs of signed units are expected to be out of range all the same: the sum of what each good verdict left
-- open. Any sample.
CREATE VIEW shop_out_of_range AS
SELECT shop, sheet_name, sheet_revision, pack, count(*) AS packs,
  sum(1.0 - conformance_probability) AS expected_out, avg(1.0 - conformance_probability) AS expected_share
FROM (SELECT c.* FROM shop_checks c
  JOIN shop_signed_units s ON s.job = c.job AND s.shop = c.shop AND s.bench = c.bench
  WHERE c.suspect = 0 AND c.verdict = 'good' AND c.last_of_pack = 1) AS signed
GROUP BY shop, sheet_name, sheet_revision, pack;

-- What a ring's nominal thickness is off by, from what came out after it was fitted: positive is thicker than said.
-- Least sample 10.
CREATE VIEW shop_ring_bias AS
SELECT shop, sheet_name, sheet_revision, pack, changed_part AS part, changed_to_nm AS thickness_nm, count(*) AS changes,
  CASE WHEN count(*) >= 10 THEN avg(off_nm) END AS mean_off_nm,
  CASE WHEN count(*) >= 10 THEN (sum(off_nm * off_nm) - count(*) * avg(off_nm) * avg(off_nm)) / (count(*) - 1) END
    AS variance_nm2
FROM (SELECT c.*, CAST((c.mean_nm - c.predicted_nm) * CASE WHEN c.changed_closes THEN -1 ELSE 1 END
    AS DOUBLE PRECISION) AS off_nm FROM shop_checks c
  WHERE c.suspect = 0 AND c.changed_part <> '' AND c.predicted_nm IS NOT NULL AND c.changed_closes IS NOT NULL) AS came
GROUP BY shop, sheet_name, sheet_revision, pack, changed_part, changed_to_nm;

-- Two checks of one pack, one after the other, with one gauge, while nothing in the unit was changed.
CREATE VIEW shop_pairs AS
SELECT shop, sheet_name, sheet_revision, pack, bench, job, at, mean_nm - mean_before_nm AS difference_nm,
  CASE WHEN technician <> technician_before THEN 1 ELSE 0 END AS another_technician
FROM (SELECT c.*,
    lag(c.mean_nm) OVER before AS mean_before_nm, lag(c.technician) OVER before AS technician_before,
    lag(c.unit_parts_changed) OVER before AS changed_before, lag(c.gauge_serial) OVER before AS gauge_before
  FROM shop_checks c WHERE c.suspect = 0
  WINDOW before AS (PARTITION BY c.shop, c.bench, c.job, c.pack ORDER BY c."check")) AS two
WHERE mean_before_nm IS NOT NULL AND unit_parts_changed = changed_before AND gauge_serial = gauge_before
  AND technician <> '' AND technician_before <> '';

-- How far two checks of one pack differ, by the same technician and by two; no technician is named. Least sample 10
-- pairs; from 20 on it stands for a study's. The variance is that of one check.
CREATE VIEW shop_reproducibility AS
SELECT shop, sheet_name, sheet_revision, another_technician, count(*) AS pairs,
  CASE WHEN count(*) >= 10 THEN sum(CAST(difference_nm AS DOUBLE PRECISION) * difference_nm) / (2 * count(*)) END
    AS variance_nm2
FROM shop_pairs
GROUP BY shop, sheet_name, sheet_revision, another_technician;

-- A gauge's checks against its check standard since it last became another one.
CREATE VIEW shop_gauge_mornings AS
SELECT g.shop, g.bench, g.gauge_serial, g.phase, g.at, {days} AS day, g.error_nm, g.standard_uncertainty_nm,
  g.max_error_nm, g.standing
FROM collected_gauge_checks g
WHERE g.error_nm IS NOT NULL AND g.result <> 'refused' AND g.not_measured = '' AND NOT EXISTS (
  SELECT 1 FROM collected_gauge_checks w
  WHERE w.gauge_serial = g.gauge_serial AND w.shop = g.shop AND w.bench = g.bench AND w.phase > g.phase);

-- How a gauge drifts: the slope of its error by least squares. Least sample 12 mornings.
CREATE VIEW shop_gauge_drift AS
SELECT shop, bench, gauge_serial, count(*) AS mornings, max(max_error_nm) AS max_error_nm,
  CASE WHEN count(*) >= 12 THEN avg(error_nm) END AS mean_error_nm,
  CASE WHEN count(*) >= 12 AND count(*) * sum(x * x) > sum(x) * sum(x) THEN
    (count(*) * sum(x * error_nm) - sum(x) * sum(error_nm)) / (count(*) * sum(x * x) - sum(x) * sum(x)) END
    AS slope_nm_per_day
FROM (SELECT m.*, m.day - min(m.day) OVER (PARTITION BY m.shop, m.bench, m.gauge_serial) AS x
  FROM shop_gauge_mornings m) AS mornings
GROUP BY shop, bench, gauge_serial;

-- How many of a technician's strokes did not count for their flags, seat strokes aside. Least sample 20 checks.
CREATE VIEW shop_strokes_not_counted AS
SELECT shop, technician, count(*) AS checks, CAST(sum(strokes) AS BIGINT) AS strokes,
  CAST(sum(not_counted) AS BIGINT) AS not_counted,
  CASE WHEN count(*) >= 20 THEN CAST(sum(not_counted) AS DOUBLE PRECISION) / sum(strokes) END AS share
FROM (SELECT s.shop, s.technician, s.bench, s.job, s."check", count(*) AS strokes,
    sum(CASE WHEN s.accepted THEN 0 ELSE 1 END) AS not_counted
  FROM collected_strokes s
  WHERE NOT s.seat AND s.technician <> '' AND s.gauge_standing NOT IN ('out', 'out of control')
  GROUP BY s.shop, s.technician, s.bench, s.job, s."check") AS checks
GROUP BY shop, technician;

-- The pressure that a bench holds, in the middle of each counted stroke, and how fast it falls. Least sample 30 strokes.
CREATE VIEW shop_held_pressure AS
SELECT s.shop, s.bench, count(*) AS strokes,
  CASE WHEN count(*) >= 30 THEN avg(CAST(s.pressure_min_pa + s.pressure_max_pa AS DOUBLE PRECISION) / 2) END AS mean_pa,
  CASE WHEN count(*) >= 30 THEN avg(s.leak_down_pa_per_s) END AS leak_down_pa_per_s
FROM collected_strokes s
WHERE s.accepted AND NOT s.seat AND s.pressure_max_pa IS NOT NULL
GROUP BY s.shop, s.bench;

-- How much further a pack moves under more pressure: strokes of one check beside each other, as least squares has them.
-- Least sample 30 strokes over 5 kPa.
CREATE VIEW shop_pressure_slope AS
SELECT shop, sheet_name, sheet_revision, pack, count(*) AS strokes, sum(first) AS checks,
  max(pressure_pa) - min(pressure_pa) AS reach_pa, sum(x * x) AS sxx_pa2, sum(x * y) AS sxy_pa_nm, sum(y * y) AS syy_nm2,
  CASE WHEN count(*) >= 30 AND max(pressure_pa) - min(pressure_pa) >= 5000 AND sum(x * x) > 0
    THEN sum(x * y) / sum(x * x) END AS slope_nm_per_pa
FROM (SELECT o.*, pressure_pa - avg(pressure_pa) OVER of_check AS x, travel_nm - avg(travel_nm) OVER of_check AS y,
    CASE WHEN row_number() OVER of_check = 1 THEN 1 ELSE 0 END AS first
  FROM (SELECT s.shop, s.bench, s.job, s."check", s.sheet_name, s.sheet_revision, s.pack,
      CAST(s.pressure_min_pa + s.pressure_max_pa AS DOUBLE PRECISION) / 2 AS pressure_pa,
      CAST(s.held_travel_nm AS DOUBLE PRECISION) AS travel_nm
    FROM collected_strokes s
    WHERE s.accepted AND NOT s.seat AND s.pressure_max_pa IS NOT NULL AND s.sheet_name <> ''
      AND s.gauge_standing NOT IN ('out', 'out of control')) AS o
  WINDOW of_check AS (PARTITION BY o.shop, o.bench, o.job, o."check")) AS within
GROUP BY shop, sheet_name, sheet_revision, pack;
