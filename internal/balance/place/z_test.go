package place
import ("testing";"math/cmplx";"counterpoise/internal/rotor";"time")
func TestZ(t *testing.T){
 for _, ms := range [][]float64{{.005,.01,.02,.05},{.01},{.02,.05},{.1}} {
 p := rotor.Plane{Name:"hub front",Radius:.3,Positions:holes(16),Masses:ms}
 t0:=time.Now()
 got,_ := Split(p, cmplx.Rect(.0834286,deg(308.806)), Options{})
 t.Log(time.Since(t0), got.Weights, got.Reached, got.AtLeast, got.Complete, cmplx.Abs(got.Residual), got.Notes)
 for _,q := range got.Placed { t.Log("  ",q) }
 if got.Instead!=nil { t.Log("instead", got.Instead.Placed, cmplx.Abs(got.Instead.Residual)) }
 for _,s := range got.Tradeoff { t.Logf("   %+v",s) }
 }
}
