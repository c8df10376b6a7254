; machine: heron
; verdict: no-go
; Invented: a copy that stopped half way.
G21
G90
M83
M109 S205 ; expect: heater-left-on
G28
G1 Z10 F480
G0 X60 Y60 F6000
G1 Z0.2 F480
G1 X80 E0.8 F1800
G1 X80 Y8 ; expect: truncated-job