; machine: wren
; verdict: hold
; Invented: strokes for finding out what the hotend melts.
G21
G90
M83
M106 S255
M109 S230
G28
G0 Z10 F900
G0 X8 Y30 F12000
G0 Z0.3 F900
; Two lines beside the print, one of them far too thick.
G1 X8.000 Y150.000 E34.92314 F1200 ; expect: purge-line
G0 X10
G1 X10.000 Y30.000 E29.93412 F1200 ; near: purge-line
G0 X40 Y40 F12000
G1 X200.000 Y40.000 E11.97365 F3600
G0 Z0.6 F900
; Thickness.
G1 X196.000 Y40.000 E1.16410 F600 ; near: implausible-extrusion
G1 X150.000 Y40.000 E12.04848 F600 ; near: implausible-extrusion
G1 X144.000 Y40.000 E1.74616 F600 ; expect: implausible-extrusion
G1 E60 F300 ; near: pull-back-too-long
G1 E60.5 ; expect: pull-back-too-long
G4 S10
; Speed.
G0 X30 Y60.000 F12000
G1 X180.000 Y60.000 E11.22530 F6600 ; near: melt-rate-exceeded, melt-peak-exceeded
G4 S10
G0 X30 Y70.000 F12000
G1 X180.000 Y70.000 E11.22530 F9000 ; near: melt-rate-exceeded, melt-peak-exceeded
G4 S10
G0 X30 Y80.000 F12000
G1 X180.000 Y80.000 E11.22530 F9600 ; expect: melt-peak-exceeded; near: melt-rate-exceeded
G4 S10
G0 X30 Y100 F12000
G1 X230.000 Y100.000 E14.96706 F9000 ; near: melt-rate-exceeded, melt-peak-exceeded
G1 X230.000 Y100.600 E0.04490 F9000 ; near: melt-rate-exceeded
G1 X30.000 Y100.600 E14.96706 F9000 ; expect: melt-rate-exceeded; near: melt-peak-exceeded
G1 X30.000 Y101.200 E0.04490 F9000 ; expect: melt-rate-exceeded; near: melt-peak-exceeded
G1 X230.000 Y101.200 E14.96706 F9000 ; expect: melt-rate-exceeded; near: melt-peak-exceeded
M104 S0
M107
G0 Z20 F900
M84
