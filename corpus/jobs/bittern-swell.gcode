; machine: bittern
; verdict: hold
; Invented: corners without a lead, and a lead that is too long.
G21
G90
M83
M109 S210
G28
G1 Z10 F6000
G1 X-60 Y-40 F9000
G1 Z0.2 F6000
M900 K0
G0 X-60 Y-40.000 F9000
G1 X0.000 Y-40.000 E2.24506 F4200 ; near: bulges-at-corners
G1 X0.000 Y-25.000 E0.56126 F4200
G0 X-60 Y-20.000 F9000
G1 X0.000 Y-20.000 E2.24506 F6000 ; expect: bulges-at-corners
G1 X0.000 Y-5.000 E0.56126 F6000
G0 Z2 F6000
M900 K0.3
G0 X-60 Y20.000 F9000
G1 Z0.2 F6000
G1 X0.000 Y20.000 E1.12253 F6000 ; expect: bulges-at-corners
G1 X60.000 Y20.000 E2.24506 F6000 ; expect: bulges-at-corners; near: extruder-overdriven
G0 Z2 F6000
M900 K0.4
G0 X-60 Y30.000 F9000
G1 Z0.2 F6000
G1 X0.000 Y30.000 E1.12253 F6000 ; expect: bulges-at-corners
G1 X60.000 Y30.000 E2.24506 F6000 ; expect: bulges-at-corners, extruder-overdriven
G0 Z2 F6000
M104 S0
G1 Z40 F6000
M84
