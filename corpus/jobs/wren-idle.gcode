; machine: wren
; verdict: no-go
; Invented: a job that waits for somebody.
; expect-job: no-extrusion
G21
G90
M83
M141 S60 ; near: chamber-over-limit
M141 S60.5 ; expect: chamber-over-limit
M141 S0 ; near: heater-left-on
G28
M104 S49
G4 S900 ; near: hot-and-idle
M104 S220
G4 S600 ; near: hot-and-idle
G0 Z18 F600
G4 S400 ; near: hot-and-idle
G4 S200.5 ; expect: hot-and-idle
G0 Z19 F600
M0 S30 ; near: hot-and-idle
M0 ; expect: hot-and-idle
M600 ; expect: hot-and-idle
M104 S0 ; near: heater-left-on
M600 ; near: hot-and-idle
M140 S60 ; near: heater-left-on
M140 S50 ; expect: heater-left-on
G0 Z20 F600
G0 X100 Y100 F12000
M84 ; near: truncated-job
