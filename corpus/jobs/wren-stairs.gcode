; machine: wren
; verdict: go
; Invented: single strokes, one step higher each, with a stop after each move.
G21
G90
M83
M140 S70
M104 S230
M190 S70
M109 S230
G28
M106 S255
G0 X60.000 Y100.000 F18000
M400
; Layer 1 of 6, 0.20 mm above the bed.
G1 Z0.200 F900
M400
G1 X80.000 Y100.000 E0.74835 F7200
M400
; Layer 2 of 6, 0.40 mm above the bed.
G1 Z0.400 F900
M400
G1 X40.000 Y100.000 E1.49671 F7200
M400
; Layer 3 of 6, 0.60 mm above the bed.
G1 Z0.600 F900
M400
G1 X100.000 Y100.000 E2.24506 F7200
M400
; Layer 4 of 6, 0.80 mm above the bed.
G1 Z0.800 F900
M400
G1 X20.000 Y100.000 E2.99341 F7200
M400
; Layer 5 of 6, 1.00 mm above the bed.
G1 Z1.000 F900
M400
G1 X120.000 Y100.000 E3.74177 F7200
M400
; Layer 6 of 6, 1.20 mm above the bed.
G1 Z1.200 F900
M400
G1 X0.000 Y100.000 E4.49012 F7200
M400
M104 S0
M140 S0
M107
M84
