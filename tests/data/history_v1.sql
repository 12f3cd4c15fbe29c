-- A history as version 1 wrote it: two shoots, dumped. Never edited, so that old files stay readable.
PRAGMA application_id = 1212445286;
PRAGMA user_version = 1;
BEGIN TRANSACTION;
CREATE TABLE migrations (version INTEGER PRIMARY KEY, name TEXT NOT NULL, applied TEXT);
INSERT INTO "migrations" VALUES(1,'shoots','2031-06-01T10:00:00+00:00');
CREATE TABLE shoots (
    key TEXT NOT NULL PRIMARY KEY,
    rig TEXT NOT NULL, title TEXT NOT NULL, filmed TEXT NOT NULL, recorded TEXT NOT NULL,
    calibration TEXT NOT NULL, method TEXT NOT NULL, action TEXT NOT NULL,
    trim_deg NOT NULL CHECK (typeof(trim_deg) = 'real'),
    tolerance_deg NOT NULL CHECK (typeof(tolerance_deg) = 'real'),
    temperature_c CHECK (typeof(temperature_c) IN ('real', 'null')),
    since_power_on_s CHECK (typeof(since_power_on_s) IN ('real', 'null')),
    lean_value, lean_sd, lean_t95, lean_determined,
    picture_lean_value, picture_lean_sd, picture_lean_t95, picture_lean_determined,
    offset_mg_value, offset_mg_sd, offset_mg_t95, offset_mg_determined,
    mounting_deg_value, mounting_deg_sd, mounting_deg_t95, mounting_deg_determined,
    changed TEXT NOT NULL, result TEXT NOT NULL, blocks TEXT NOT NULL
);
INSERT INTO "shoots" VALUES('a-1','Kestrel two','It''s "open"
Ä','2031-05-02','2031-06-01T10:00:00+00:00','spring','six faces','leave',0.2,0.5,21.5,NULL,1.0,3.33333333333333328707e-02,2.5,1,NULL,NULL,NULL,NULL,1.0e-300,4.94065645841247e-324,1.96,1,NULL,NULL,NULL,NULL,'["lens", "plate"]','{"generation": 0, "deep": [{"value": 0.0}, null]}','{"roll_deg": [0.1, null, -0.30000000000000004], "clip": ["a.mp4", "a.mp4", "b.mp4"]}');
INSERT INTO "shoots" VALUES('b-2','','1','2031-05-03','2031-06-01T10:00:01+00:00','spring','six faces','leave',0.2,0.5,21.5,NULL,2.1428571428571427937e+00,3.33333333333333328707e-02,2.5,0,NULL,NULL,NULL,NULL,1.0e-300,4.94065645841247e-324,1.96,1,-0.5,0.25,1.96,1,'[]','{"generation": 1, "deep": [{"value": 0.3333333333333333}, null]}','{}');
CREATE INDEX shoots_by_rig ON shoots (rig);
COMMIT;
