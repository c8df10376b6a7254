; machine: heron
; verdict: no-go
; Invented: a copy that stopped half way, at the end of a line; its start is out of order, too.
G21
G90
M83
G28
G1 Z10 F480
G0 X60 Y60 F6000
G1 Z0.2 F480
G1 X70 E0.4 F1800 ; expect: extrudes-cold
M109 S205 ; expect: heater-left-on
G1 X80 E0.4 ; near: extrudes-cold
G1 X90 E0.4 ; expect: truncated-job
