; machine: siskin
; verdict: hold
; Invented: a start that heats and does not wait.
G21
G90
M83
M104 S210
G28
G1 Z0.3 F600
G1 X20 Y20 F3000
G1 X60 E1.5 F1200 ; expect: heat-not-awaited
M109 S210
G1 X20 E1.5 ; near: heat-not-awaited
; Raised a little without waiting: what was waited for is warm enough.
M104 S215
G1 X60 E1.5 ; near: heat-not-awaited
; A tool is given its targets, and all are waited for.
G10 P0 S220 R150
M116
G1 X20 E1.5 ; near: heat-not-awaited
M104 S0
G1 X60 E1.5 ; expect: heat-not-awaited
M84
