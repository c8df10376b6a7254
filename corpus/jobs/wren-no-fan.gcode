; machine: wren
; verdict: go
; expect-job: layer-fan-never-on
; Invented: a weight of two layers, for a filament that wants no fan.
G21
G90
M83
M190 S90
M109 S245
G28
G0 Z0.25 F900
G0 X100 Y100 F12000
G1 X140 Y100 E1.8 F3600
G1 X140 Y140 E1.8
G1 X100 Y140 E1.8
G1 X100 Y100 E1.8
G0 Z0.5 F900
G1 X140 Y100 E1.8 F3600
G1 X140 Y140 E1.8
G1 X100 Y140 E1.8
G1 X100 Y100 E1.8
M104 S0
M140 S0
G0 Z20 F900
M84
