; machine: heron
; verdict: hold
; expect-lines: command-rate-exceeded 57-75
; expect-lines: command-rate-exceeded 115-143
; Invented: strokes for finding out how fast the old board reads.
G21
G90
M83
M109 S205
G28
G1 Z10 F480
G0 X30 Y100 F6000
G1 Z0.2 F480
G1 X50 E0.74836 F2400
G1 X50.100 E0.00374
G1 X50.200 E0.00374
G1 X50.300 E0.00374
G1 X50.400 E0.00374
G1 X50.500 E0.00374
G1 X50.600 E0.00374
G1 X50.700 E0.00374
G1 X50.800 E0.00374
G1 X50.900 E0.00374
G1 X51.000 E0.00374
G1 X51.100 E0.00374
G1 X51.200 E0.00374
G1 X51.300 E0.00374
G1 X51.400 E0.00374
G1 X51.500 E0.00374
G1 X51.600 E0.00374 ; near: command-rate-exceeded
G1 X71.600 E0.74835
G1 X71.700 E0.00374
G1 X71.800 E0.00374
G1 X71.900 E0.00374
G1 X72.000 E0.00374
G1 X72.100 E0.00374
G1 X72.200 E0.00374
G1 X72.300 E0.00374
G1 X72.400 E0.00374
G1 X72.500 E0.00374
G1 X72.600 E0.00374
G1 X72.700 E0.00374
G1 X72.800 E0.00374
G1 X72.900 E0.00374
G1 X73.000 E0.00374
G1 X73.100 E0.00374
G1 X73.200 E0.00374
G1 X73.300 E0.00374
G1 X73.400 E0.00374
G1 X73.500 E0.00374
G1 X73.600 E0.00374
G1 X73.700 E0.00374
G1 X73.800 E0.00374
G1 X73.900 E0.00374
G1 X74.000 E0.00374
G1 X74.100 E0.00374
G1 X74.200 E0.00374
G1 X74.300 E0.00374
G1 X74.400 E0.00374
G1 X74.500 E0.00374
G1 X74.600 E0.00374
G1 X74.700 E0.00374
G1 X74.800 E0.00374
G1 X74.900 E0.00374
G1 X75.000 E0.00374
G1 X75.100 E0.00374
G1 X75.200 E0.00374
G1 X75.300 E0.00374
G1 X75.400 E0.00374
G1 X75.500 E0.00374
G1 X75.600 E0.00374
G1 X75.700 E0.00374
G1 X75.800 E0.00374
G1 X75.900 E0.00374
G1 X76.000 E0.00374
G1 X76.100 E0.00374
G1 X76.200 E0.00374
G1 X96.200 E0.74835
G1 X116.200 E0.74835
; The same sent with remarks: now the serial line is too slow.
G1 X116.300 E0.00374 ; wall of the left ear, first round
G1 X116.400 E0.00374 ; wall of the left ear, first round
G1 X116.500 E0.00374 ; wall of the left ear, first round
G1 X116.600 E0.00374 ; wall of the left ear, first round
G1 X116.700 E0.00374 ; wall of the left ear, first round
G1 X116.800 E0.00374 ; wall of the left ear, first round
G1 X116.900 E0.00374 ; wall of the left ear, first round
G1 X117.000 E0.00374 ; wall of the left ear, first round
G1 X117.100 E0.00374 ; wall of the left ear, first round
G1 X117.200 E0.00374 ; wall of the left ear, first round
G1 X117.300 E0.00374 ; wall of the left ear, first round
G1 X117.400 E0.00374 ; wall of the left ear, first round
G1 X117.500 E0.00374 ; wall of the left ear, first round
G1 X117.600 E0.00374 ; wall of the left ear, first round
G1 X117.700 E0.00374 ; wall of the left ear, first round
G1 X117.800 E0.00374 ; wall of the left ear, first round ; near: command-rate-exceeded
G1 X137.800 E0.74835
G1 X137.900 E0.00374 ; wall of the right ear, second round
G1 X138.000 E0.00374 ; wall of the right ear, second round
G1 X138.100 E0.00374 ; wall of the right ear, second round
G1 X138.200 E0.00374 ; wall of the right ear, second round
G1 X138.300 E0.00374 ; wall of the right ear, second round
G1 X138.400 E0.00374 ; wall of the right ear, second round
G1 X138.500 E0.00374 ; wall of the right ear, second round
G1 X138.600 E0.00374 ; wall of the right ear, second round
G1 X138.700 E0.00374 ; wall of the right ear, second round
G1 X138.800 E0.00374 ; wall of the right ear, second round
G1 X138.900 E0.00374 ; wall of the right ear, second round
G1 X139.000 E0.00374 ; wall of the right ear, second round
G1 X139.100 E0.00374 ; wall of the right ear, second round
G1 X139.200 E0.00374 ; wall of the right ear, second round
G1 X139.300 E0.00374 ; wall of the right ear, second round
G1 X139.400 E0.00374 ; wall of the right ear, second round
G1 X139.500 E0.00374 ; wall of the right ear, second round
G1 X139.600 E0.00374 ; wall of the right ear, second round
G1 X139.700 E0.00374 ; wall of the right ear, second round
G1 X139.800 E0.00374 ; wall of the right ear, second round
G1 X139.900 E0.00374 ; wall of the right ear, second round
G1 X140.000 E0.00374 ; wall of the right ear, second round
G1 X140.100 E0.00374 ; wall of the right ear, second round
G1 X140.200 E0.00374 ; wall of the right ear, second round
G1 X140.300 E0.00374 ; wall of the right ear, second round
G1 X140.400 E0.00374 ; wall of the right ear, second round
G1 X140.500 E0.00374 ; wall of the right ear, second round
G1 X140.600 E0.00374 ; wall of the right ear, second round
G1 X140.700 E0.00374 ; wall of the right ear, second round
G1 X140.800 E0.00374 ; wall of the right ear, second round
G1 X140.900 E0.00374 ; wall of the right ear, second round
G1 X141.000 E0.00374 ; wall of the right ear, second round
G1 X141.100 E0.00374 ; wall of the right ear, second round
G1 X141.200 E0.00374 ; wall of the right ear, second round
G1 X141.300 E0.00374 ; wall of the right ear, second round
G1 X141.400 E0.00374 ; wall of the right ear, second round
G1 X141.500 E0.00374 ; wall of the right ear, second round
G1 X141.600 E0.00374 ; wall of the right ear, second round
G1 X141.700 E0.00374 ; wall of the right ear, second round
G1 X141.800 E0.00374 ; wall of the right ear, second round
G1 X141.900 E0.00374 ; wall of the right ear, second round
G1 X142.000 E0.00374 ; wall of the right ear, second round
G1 X142.100 E0.00374 ; wall of the right ear, second round
G1 X142.200 E0.00374 ; wall of the right ear, second round
G1 X142.300 E0.00374 ; wall of the right ear, second round
G1 X142.400 E0.00374 ; wall of the right ear, second round
G1 X162.400 E0.74835
G1 X182.400 E0.74835
; Long travels: steps a second, and the limit of the axis.
G1 Z10 F480
G0 X30 F6000
G0 X180 F9000 ; near: step-rate-exceeded
G0 X30 F9060 ; expect: step-rate-exceeded
G0 X180 F10800 ; near: feed-rate-clipped; expect: step-rate-exceeded
G0 X30 F10860 ; expect: feed-rate-clipped, step-rate-exceeded
M104 S0
M84
