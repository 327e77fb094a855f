package measure

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func TestParseNumber(t *testing.T) {
	for _, tt := range []struct {
		text    string
		decimal byte
		want    float64
	}{
		{"54.25", '.', 54.25}, {" +3 ", '.', 3}, {"−2.25", '.', -2.25}, {"-2,25", ',', -2.25}, {"7", ',', 7}, {".5", '.', 0.5},
	} {
		x, err := ParseNumber(tt.text, tt.decimal)
		require.NoError(t, err, tt.text)
		require.Equal(t, tt.want, x, tt.text)
	}
	for _, text := range []string{"", " ", "-2,5O", "1e3", "54.25 D", "1,234.5", "--2", "+-2", ".", "NaN", "Inf", "0x10", "1_000"} {
		_, err := ParseNumber(text, '.')
		var format *FormatError
		require.ErrorAs(t, err, &format, text)
	}
	_, err := ParseNumber("54.25", ',')
	require.ErrorContains(t, err, "decimal comma")
}

func TestStepsRoundHalfAwayFromZero(t *testing.T) {
	for x, want := range map[float64]Steps{54.25: 5425, -2.125: -213, 2.125: 213, 0: 0} {
		got, err := FromFloat(x, DioptreUnit)
		require.NoError(t, err)
		require.Equal(t, want, got)
	}
	for _, x := range []float64{math.NaN(), math.Inf(1), math.Inf(-1), 1e9} {
		_, err := FromFloat(x, DioptreUnit)
		var outside *RangeError
		require.ErrorAs(t, err, &outside)
	}
}

func TestStepsPrintTheDigitsThatAreKept(t *testing.T) {
	require.Equal(t, "54.25", Steps(5425).Text(DioptreUnit))
	require.Equal(t, "0.301", Steps(301).Text(LogMARUnit))
	require.Equal(t, "", None.Text(LogMARUnit))
	require.True(t, math.IsNaN(None.Float(MicrometreUnit)))
	require.False(t, None.IsValid())
	require.True(t, Steps(0).IsValid())
}

func TestTextReadsBackAsTheSameSteps(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		u := Unit(rapid.IntRange(int(LogMARUnit), int(ConcentrationUnit)).Draw(rt, "unit"))
		s := Steps(rapid.Int32Range(-1_000_000, 1_000_000).Draw(rt, "steps"))
		x, err := ParseNumber(s.Text(u), '.')
		require.NoError(rt, err)
		back, err := FromFloat(x, u)
		require.NoError(rt, err)
		require.Equal(rt, s, back)
	})
}

func TestSides(t *testing.T) {
	for text, want := range map[string]Side{"OD": Right, "re": Right, " R ": Right, "right eye": Right, "O.S.": Left, "l": Left, "Left": Left} {
		got, err := ParseSide(text)
		require.NoError(t, err, text)
		require.Equal(t, want, got, text)
	}
	for _, text := range []string{"", "0", "1", "OU", "both", "D"} {
		_, err := ParseSide(text)
		require.ErrorContains(t, err, "OD (right) or OS (left)", text)
	}
	require.Equal(t, Left, Right.Fellow())
	require.Equal(t, Right, Left.Fellow())
	require.Equal(t, "OD", Right.String())
	require.Equal(t, "OS", Left.String())
	require.Equal(t, "", Side(0).String())
}
