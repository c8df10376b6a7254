; machine: wren
; verdict: no-go
; Invented: a drip edge laid too near to the front of the plate.
G21
G90
M83
M106 S200
M190 S90
M109 S245
G28
G0 Z0.3 F900
G0 X205 Y3 F12000
G1 X240 Y3 E2 F1200 ; near: prints-off-bed
G1 E4 F120 ; near: prints-off-bed
G1 E-0.8 F1800
G0 Z2 F900
G0 X120 Y3 F12000
G1 E0.8 F1800 ; near: prints-off-bed
G1 E3 F120 ; expect: prints-off-bed
G0 X100 Y6 F12000
G0 Z0.25 F900
G1 X140 Y6 E1.8 F3600 ; near: prints-off-bed
G1 X140 Y5.9 E0.01 ; expect: prints-off-bed
G1 X100 Y5.9 E1.8 ; expect: prints-off-bed
G1 X100 Y40 E1.5 ; expect: prints-off-bed
G0 X246 Y40 F12000 ; near: prints-off-bed
M104 S0
M140 S0
G0 Z20 F900
M84
