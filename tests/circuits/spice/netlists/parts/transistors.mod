* transistors of no maker, invented
.model qgeneral npn(is=1.2e-14 bf=280 vaf=75
+ cjc=4p)
