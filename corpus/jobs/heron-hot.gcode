; machine: heron
; verdict: no-go
; Invented: a warm-up sheet, typed by hand and too hot.
G21
G90
M83
M140 S110 ; near: bed-over-limit
M140 S110.5 ; expect: bed-over-limit
M140 S60
M104 S260 ; near: nozzle-over-limit
M104 S260.5 ; expect: nozzle-over-limit
M104 S200
M190 S94 ; near: target-out-of-reach
M190 S96 ; expect: target-out-of-reach
M190 S60
G28
G1 Z10 F480
G0 X30 Y60 F6000
M109 R170
G1 Z0.3 F480
G1 X60 E1.2 F1800 ; near: extrudes-cold
M109 S172
M104 S0
G1 X90 E1.2 ; near: extrudes-cold
G1 X92 E0.1 ; expect: extrudes-cold
G1 Z20 F480
M140 S0
M84
