; machine: bittern
; verdict: hold
; Invented: filling the second tool from the end of a spool.
G21
G90
M83
M109 T1 S210
G28
T1
G1 X18 Y0 Z20 F6000
G1 E50 F240 ; near: pull-back-too-long
G1 E50
G1 E50
G1 E50
G1 E50
G1 E50
G1 E50
G1 E50
G1 E50
G1 E50
G1 E50
G1 E50 ; near: spool-too-short
G1 E-4 F1800
G1 E4 ; near: spool-too-short
G1 E0.5 F240 ; expect: spool-too-short
M104 T1 S0
G1 Z40 F6000
M84
