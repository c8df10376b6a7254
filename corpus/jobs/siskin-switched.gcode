; machine: siskin
; verdict: go
; Invented: an old form in which the extruder is switched on and off.
; near-job: no-extrusion
G21
G90
M104 S210
G28
G1 Z0.3 F600
G1 X20 Y20 F3000
M101
G1 X60 Y20 F1200
G1 X60 Y60
M103
M104 S0
M84
