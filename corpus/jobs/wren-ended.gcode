; machine: wren
; verdict: hold
; Invented: two weights for a kite; G11 and the end of the program are not where they should be.
G21
G90
M83
M190 S60
M109 S220
M106 S200
G28
M572 D0:1 S0.03 ; near: malformed-word
G0 Z0.25 F900
G0 X100 Y100 F12000
G1 X140 Y100 E1.8 F3600
G1 X140 Y140 E1.8
G10
G0 X100 Y140 F12000
G11
G1 X100 Y100 E1.8 F3600 ; near: prints-pulled-back
G10
G0 Z0.5 F900
G11
G1 X140 Y100 E1.8 F3600 ; near: prints-pulled-back
G1 X140 Y140 E1.8
G10
G0 X160 Y140 F12000
G1 X160 Y100 E1.8 F3600 ; expect: prints-pulled-back
G1 X150 Y100 E0.45
G10
M28 lines.gcode
M117 not counted ; near: commands-not-run
G0 Z20 F900 ; expect: commands-not-run
M29
G0 Z20 F900 ; near: commands-not-run
M140 S0
M30 lines.gcode
M107 ; near: commands-not-run
M30
M117 ended ; near: commands-not-run
M104 S0 ; expect: commands-not-run
M81 ; expect: commands-not-run; near: motors-off-then-moves
