; machine: heron
; verdict: no-go
; Invented: lines of many hands, glued together by a script.
G21
G90 G28 ; expect: commands-share-line
M83
M109 S[warm] ; expect: placeholder-unfilled
M109 S205 ; near: placeholder-unfilled
G1 Z10 F480
G0 X20 Y20 F3000
G1 Z0.3 F480
G1 X60 E2 F1200
M106 S100 G1 X70 ; expect: commands-share-line
G1 X80 M400 ; expect: commands-share-line
M117 5% G1 X5 G1 X9 ; near: commands-share-line
G1 Z0 F480
G1 X90 E0.4 F1200 ; expect: prints-into-bed
G1 Z0.1 F480
G1 X100 E0.4 F1200 ; near: prints-into-bed
G1 E-120 F2400 ; near: pull-back-too-long
G1 E120
G1 E-121 ; expect: pull-back-too-long
G1 E181 F180 ; near: pull-back-too-long
G1 E-5
G1 E66 ; expect: pull-back-too-long
M92 X80 Y80 ; near: machine-changed-in-job
M92 X100 ; expect: machine-changed-in-job
M206 Z0 ; near: machine-changed-in-job
M206 Z-0.1 ; expect: machine-changed-in-job
M851 ; near: machine-changed-in-job
M301 P20 I1 D0 ; near: machine-changed-in-job
M301 P0 ; expect: machine-changed-in-job
M203 X3000 ; expect: limits-changed-in-job
G4 S30
G1 X110 E0.4 F1200
M104 S0
M84
