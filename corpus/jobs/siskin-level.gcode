; machine: siskin
; verdict: hold
; Invented: a start that homes x and y and leaves z to luck.
G21
G90
M83
M109 S210
G28 X Y
G1 Z0.3 F600 ; expect: moves-before-homing
G1 X20 Y20 F3000 ; near: moves-before-homing
G1 X60 E1.5 F1200 ; near: moves-before-homing
G1 Z20 F600 ; expect: moves-before-homing
M104 S0
M84
