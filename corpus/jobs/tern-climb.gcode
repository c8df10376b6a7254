; machine: tern
; verdict: go
; Invented: one long line, to see where the melt rate binds as the acceleration goes up.
G21
G90
M83
G28
G0 Z0.3 F600
M109 S200
G1 X40 E2 F60000
M104 S0
M84
