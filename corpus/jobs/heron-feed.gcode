; machine: heron
; verdict: hold
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
G1 X50.170 E0.00636
G1 X50.340 E0.00636
G1 X50.510 E0.00636
G1 X50.680 E0.00636
G1 X50.850 E0.00636
G1 X51.020 E0.00636
G1 X51.190 E0.00636
G1 X51.360 E0.00636
G1 X51.530 E0.00636
G1 X51.700 E0.00636
G1 X51.870 E0.00636
G1 X52.040 E0.00636
G1 X52.210 E0.00636
G1 X52.380 E0.00636
G1 X52.550 E0.00636
G1 X52.720 E0.00636 ; near: command-rate-exceeded
G1 X72.720 E0.74835
G1 X72.870 E0.00561
G1 X73.020 E0.00561
G1 X73.170 E0.00561
G1 X73.320 E0.00561
G1 X73.470 E0.00561
G1 X73.620 E0.00561
G1 X73.770 E0.00561
G1 X73.920 E0.00561
G1 X74.070 E0.00561
G1 X74.220 E0.00561
G1 X74.370 E0.00561
G1 X74.520 E0.00561
G1 X74.670 E0.00561
G1 X74.820 E0.00561
G1 X74.970 E0.00561
G1 X75.120 E0.00561 ; expect: command-rate-exceeded
G1 X95.120 E0.74835
; The same sent with comments: now the serial line is too slow.
G1 X95.300 E0.00674 ; wall of the left ear
G1 X95.480 E0.00674 ; wall of the left ear
G1 X95.660 E0.00674 ; wall of the left ear
G1 X95.840 E0.00674 ; wall of the left ear
G1 X96.020 E0.00674 ; wall of the left ear
G1 X96.200 E0.00674 ; wall of the left ear
G1 X96.380 E0.00674 ; wall of the left ear
G1 X96.560 E0.00674 ; wall of the left ear
G1 X96.740 E0.00674 ; wall of the left ear
G1 X96.920 E0.00674 ; wall of the left ear
G1 X97.100 E0.00674 ; wall of the left ear
G1 X97.280 E0.00674 ; wall of the left ear
G1 X97.460 E0.00674 ; wall of the left ear
G1 X97.640 E0.00674 ; wall of the left ear
G1 X97.820 E0.00674 ; wall of the left ear
G1 X98.000 E0.00674 ; wall of the left ear ; near: command-rate-exceeded
G1 X118.000 E0.74835
G1 X118.180 E0.00674 ; wall of the right ear, second round
G1 X118.360 E0.00674 ; wall of the right ear, second round
G1 X118.540 E0.00674 ; wall of the right ear, second round
G1 X118.720 E0.00674 ; wall of the right ear, second round
G1 X118.900 E0.00674 ; wall of the right ear, second round
G1 X119.080 E0.00674 ; wall of the right ear, second round
G1 X119.260 E0.00674 ; wall of the right ear, second round
G1 X119.440 E0.00674 ; wall of the right ear, second round
G1 X119.620 E0.00674 ; wall of the right ear, second round
G1 X119.800 E0.00674 ; wall of the right ear, second round
G1 X119.980 E0.00674 ; wall of the right ear, second round
G1 X120.160 E0.00674 ; wall of the right ear, second round
G1 X120.340 E0.00674 ; wall of the right ear, second round
G1 X120.520 E0.00674 ; wall of the right ear, second round
G1 X120.700 E0.00674 ; wall of the right ear, second round
G1 X120.880 E0.00674 ; wall of the right ear, second round ; expect: command-rate-exceeded
G1 X140.880 E0.74835
; Long travels: steps a second, and the limit of the axis.
G1 Z10 F480
G0 X30 F6000
G0 X180 F9000 ; near: step-rate-exceeded
G0 X30 F9060 ; expect: step-rate-exceeded
G0 X180 F10800 ; near: feed-rate-clipped; expect: step-rate-exceeded
G0 X30 F10860 ; expect: feed-rate-clipped, step-rate-exceeded
M104 S0
M84
