; machine: dunlin
; verdict: go
; Invented: four lines at right angles, from 40 mm down to 0.2 mm.
G21
G90
M83
G28
G0 Z0.3 F600
M109 S200
G1 X40 E1.3 F6000
G1 Y5 E0.16
G1 X39 E0.03
G1 Y5.2 E0.006
M104 S0
M84
