; machine: tern
; verdict: go
; Invented: a thin slow line, which no acceleration makes too much for.
G21
G90
M83
G28
G0 Z0.3 F600
M109 S200
G1 X40 E0.8 F1800
M104 S0
M84
