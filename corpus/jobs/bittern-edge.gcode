; machine: bittern
; verdict: no-go
; Invented: a walk around the edge of the plate.
; expect-job: no-extrusion
G21
G90
M83
G28
G1 Z10 F6000
G0 X60 Y80 F6000 ; near: outside-travel
G0 X60.1 Y80 ; expect: outside-travel
G0 X90 Y-40
G3 X90 Y40 I-90 J40 ; near: outside-travel
G0 X90 Y-40
G3 X90 Y40 I-20 J40 ; expect: outside-travel
G0 X-40 Y-20
G0 X80 Y40 F14280 ; near: step-rate-exceeded
G0 X-40 Y-20
G0 X80 Y40 F15000 ; expect: step-rate-exceeded
M140 S60 ; expect: heater-not-described
M140 S0 ; near: heater-not-described
M104 T5 S0 ; near: tool-not-described
T1 ; near: tool-not-described
T2 ; expect: tool-not-described
T0 ; near: tool-not-described
M203 X100 ; near: limits-changed-in-job
G1 X0 Y0 Z40 F6000
M84
