; machine: heron
; verdict: go
; Invented: starts and ends by names that the sheet describes.
begin_warm NOZZLE=205 BED=60 ; near: macro-not-described
G21
G90
M83
G1 Z10 F480 ; near: moves-before-homing
G0 X20 Y20 F6000
G1 Z0.3 F480
G1 X60 E1.5 F1200 ; near: extrudes-cold
SAY half way there ; near: macro-not-described
G1 X20 E1.5
FINISH ; near: macro-not-described, heater-left-on, truncated-job
