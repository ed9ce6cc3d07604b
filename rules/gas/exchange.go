package gas

import "math"

// exponent is γ-1, the power with which an adiabatic expansion cools.
const exponent = Gamma - 1

// memory is the number of time constants after which the gas has forgotten
// its temperature: exp(-27) of 300 K is under a nanokelvin.
const memory = 27

// Nodes and weights of five-point Gauss-Legendre quadrature on [0, 1]
// (Abramowitz and Stegun, table 25.4, mapped from [-1, 1]).
var (
	nodes  = [5]float64{0.046910077030668004, 0.23076534494715845, 0.5, 0.7692346550528415, 0.953089922969332}
	shares = [5]float64{0.11846344252809454, 0.23931433524968324, 0.28444444444444444, 0.23931433524968324, 0.11846344252809454}
)

// Rest is θ after the gas has rested at constant volume for dt s: the
// difference to the wall dies as exp(-dt/τ). tau is τ in s; 0 means that the
// gas always has the wall's temperature, +Inf that no heat passes.
func Rest(theta, dt, tau float64) float64 {
	if tau <= 0 {
		return 1
	}
	return 1 + float64((theta-1)*math.Exp(-dt/tau))
}

// Expand is θ after the gas volume has gone from v0 to v1, m³, both above 0,
// at a constant rate in dt s, with heat from the wall by the time constant
// tau s (Otis and Pourmovahed, ASME J. Dyn. Syst. Meas. Control 107, 1985,
// equation from memory):
//
//	dθ/dt = -(γ-1)(Q/V)θ + (1-θ)/τ
//
// which is linear, so that with V1 = V(dt)
//
//	θ = θ0 (V0/V1)^(γ-1) e^(-dt/τ) + (1/τ) ∫ (V(s)/V1)^(γ-1) e^(-(dt-s)/τ) ds
//
// The integral is taken by five-point Gauss-Legendre on panels of at most
// 2 τ and a volume ratio of at most 2, which keeps 1e-6 K. tau 0 is
// isothermal, +Inf adiabatic, dt 0 adiabatic. v1 < v0 compresses. It does not
// allocate.
func Expand(theta, v0, v1, dt, tau float64) float64 {
	switch {
	case tau <= 0 && dt > 0:
		return 1
	case dt <= 0 || math.IsInf(tau, 1):
		return theta * power(v0/v1)
	case v0 == v1:
		return Rest(theta, dt, tau)
	}
	// What happened longer ago than the memory does not matter.
	if dt > memory*tau {
		v0 = v1 + float64((v0-v1)*(memory*tau/dt))
		theta, dt = 1, memory*tau
	}
	for dt > 0 {
		step := dt
		if step > 2*tau {
			step = 2 * tau
		}
		v := v0 + float64((v1-v0)*(step/dt))
		if v > 2*v0 {
			v = 2 * v0
			step = float64(dt * ((v - v0) / (v1 - v0)))
		} else if v < 0.5*v0 {
			v = 0.5 * v0
			step = float64(dt * ((v - v0) / (v1 - v0)))
		}
		if step >= dt {
			return panel(theta, v0, v1, dt/tau)
		}
		theta = panel(theta, v0, v, step/tau)
		v0, dt = v, dt-step
	}
	return theta
}

// panel is Expand over one panel of x time constants.
func panel(theta, v0, v1, x float64) float64 {
	r := v0 / v1
	sum := 0.0
	for i, n := range nodes {
		sum += float64(shares[i] * power(r+float64((1-r)*n)) * math.Exp(float64(x*(n-1))))
	}
	return float64(theta*power(r)*math.Exp(-x)) + float64(x*sum)
}

// binomial are the coefficients of (1+x)^0.4.
var binomial = [10]float64{1, 0.4, -0.12, 0.064, -0.0416, 0.029952, -0.0229632, 0.01837056, -0.015155712, 0.0127981568}

// small is how far x may be from 0 in the series: the first term left out is
// then under 2e-12.
const small = 0.1

// polynomial is the sum of c[k] x^k.
func polynomial(c *[10]float64, x float64) float64 {
	y := c[8] + float64(x*c[9])
	y = c[7] + float64(x*y)
	y = c[6] + float64(x*y)
	y = c[5] + float64(x*y)
	y = c[4] + float64(x*y)
	y = c[3] + float64(x*y)
	y = c[2] + float64(x*y)
	y = c[1] + float64(x*y)
	return c[0] + float64(x*y)
}

// power is r^(γ-1): what an adiabatic change of the volume by 1/r does to the
// temperature.
func power(r float64) float64 {
	if x := r - 1; x > -small && x < small {
		return polynomial(&binomial, x)
	}
	return math.Exp(exponent * math.Log(r))
}

// Kernel is Rest and Expand prepared for one duration and one time constant:
// strokes that come again need their exponentials only once, and where the
// volume changes by less than a tenth the quadrature becomes one polynomial.
// The zero value is not ready; use NewKernel. It is a plain value.
type Kernel struct {
	dt, tau float64
	single  bool // the whole duration is one panel
	decay   float64
	series  [10]float64 // the integral by powers of 1 - V0/V1
}

// NewKernel prepares changes of dt s with the time constant tau s.
func NewKernel(dt, tau float64) Kernel {
	k := Kernel{dt: dt, tau: tau, decay: Rest(2, dt, tau) - 1}
	k.single = dt > 0 && tau > 0 && dt <= 2*tau && !math.IsInf(tau, 1)
	if !k.single {
		return k
	}
	x := dt / tau
	k.decay = math.Exp(-x)
	for i, n := range nodes {
		// At the node V/V1 = 1 + (n-1) y with y = 1 - V0/V1.
		w := x * shares[i] * math.Exp(float64(x*(n-1)))
		for j, c := range binomial {
			k.series[j] += float64(w * c)
			w *= n - 1
		}
	}
	return k
}

// Rest is Rest for the kernel's duration.
func (k *Kernel) Rest(theta float64) float64 {
	return 1 + float64((theta-1)*k.decay)
}

// Expand is Expand for the kernel's duration.
func (k *Kernel) Expand(theta, v0, v1 float64) float64 {
	x := v0/v1 - 1
	if !k.single || x < -small || x > small {
		return Expand(theta, v0, v1, k.dt, k.tau)
	}
	return float64(theta*polynomial(&binomial, x)*k.decay) + polynomial(&k.series, -x)
}
