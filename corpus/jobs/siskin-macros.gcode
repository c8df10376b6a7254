; machine: siskin
; verdict: hold
; Invented: starts and ends by names that the sheet does not describe.
START_HERE NOZZLE=210 BED=60 ; expect: macro-not-described
G21
G90
M83
G1 X20 Y20 F3000 ; near: moves-before-homing
G1 Z0.3 F600
G1 X60 E1.5 F1200 ; near: heat-not-awaited, extrudes-cold
M0 Click to go on X Y Z ; near: malformed-word
G1 X20 E1.5
M104 T3 S0 ; near: tool-not-described
END_HERE ; expect: macro-not-described
