/* What the engine's two files share. */
#ifndef ENGINE_INTERNAL_H
#define ENGINE_INTERNAL_H

#include "engine_motion.h"

#if defined(_WIN32)
#define ENGINE_API __declspec(dllexport)
#else
#define ENGINE_API __attribute__((visibility("default")))
#endif

#define REGION_CLOSED 0U
#define REGION_INLET 2U
#define TWO_PI 6.283185307179586

typedef struct {
    double du; /* a radian: of V^(1-n)/(n-1), of the volume, in the present cell */
    double dv;
    double u;  /* where the crank is */
    double push_nm; /* of a cylinder open to air or inlet */
    double released_j; /* heat of the burn in this step */
    double heated_k;   /* what it adds to k */
    double extra_nm;   /* torque that then is missing for the energies to add up */
} engine_gas;

/* engine_gas.c */
void engine_cylinder_moves(engine_state *e, engine_cylinder *c, int direction);
engine_gas engine_gas_of(const engine_state *e, const engine_cylinder *c);
void engine_heat(const engine_state *e, engine_cylinder *c, engine_gas *g, double dt_s, double by);
double engine_gas_torque(const engine_state *e, const engine_cylinder *c, const engine_gas *g);
void engine_burn_on(engine_state *e, const engine_gas g[2]);

#endif
