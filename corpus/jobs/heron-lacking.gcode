; machine: heron
; verdict: no-go
; Invented: a job that was sliced for another board.
G21 ; near: not-supported-here
G90
M83
M109 S205
G28
G1 Z10 F480
G0 X20 Y20 F6000
M207 S1 F2400
G10 ; near: not-supported-here
G11 ; near: not-supported-here
M104 S0
G2 X40 Y20 I10 J0 ; expect: not-supported-here
G5 X60 Y20 I0 J5 P0 Q5 ; expect: not-supported-here
G20 ; expect: not-supported-here
G21
M200 D0 ; expect: not-supported-here
M600 ; expect: not-supported-here; near: hot-and-idle
M141 S0 ; expect: not-supported-here
G29 ; expect: not-supported-here
G28
M84
