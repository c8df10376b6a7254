; machine: heron
; verdict: hold
; expect-job: extrudes-cold
; near-job: layer-fan-never-on, no-moves
; Invented: a test strip for paste, sliced without any temperature.
G21
G90
M83
G28
G1 Z10 F480
G0 X30 Y60 F6000
G1 Z0.2 F480
G1 X60 E1 F1200
G1 Z0.23 F480
G1 X90 E1 F1200
G1 Z20 F480
M84
