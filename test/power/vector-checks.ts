/** How each vector about sun, panel and battery is put to the code: pairs of figures with how far they may lie apart. */
import {
  azimuthFromSouth,
  batteryForDays,
  beamRatioOfDay,
  clearSkyDay,
  clearSkyWatts,
  cellCelsius,
  chemistries,
  cosIncidence,
  cosZenith,
  countCharge,
  dayLengthHours,
  declinationCooper,
  declinationSpencer,
  degrees,
  diffuseShareOfHour,
  diffuseShareOfMonth,
  distanceFactor,
  equationOfTimeSpencer,
  extraterrestrialDay,
  extraterrestrialSpan,
  halfDayDegrees,
  julianDay,
  lossOfLoad,
  meanWatts,
  onTiltedPlane,
  panelForSunHours,
  panelWatts,
  percentAtRest,
  radians,
  ratioOfStrings,
  solarHours,
  stringsForRatio,
  sunDay,
  sunPosition,
  type ChemistryName,
} from '../../agent/power/power.js'
import { utcMillis, type UtcMillis } from '../../agent/terms/terms.js'
import type { AirCheck } from '../support/shared-reference.js'

export interface Pair {
  readonly what: string
  readonly given: number
  readonly wanted: number
  readonly within: number
}
// Tolerances are a number or an object, by vector.
// eslint-disable-next-line @typescript-eslint/no-explicit-any
type Vector = Omit<AirCheck, 'tolerance'> & { readonly tolerance: any }
export type Check = (vector: Vector) => Pair[]

const pair = (what: string, given: number, wanted: number, within: number): Pair => ({
  what,
  given,
  wanted,
  within,
})
const pairs = (what: string, given: readonly number[], wanted: readonly number[], within: number): Pair[] =>
  wanted.map((value, i) => pair(`${what} ${i}`, given[i], value, within))

const megajoules = (wattHours: number): number => wattHours * 0.0036
const at = (text: string): UtcMillis => utcMillis(Date.parse(text))

export const sunChecks: Readonly<Record<string, Check>> = {
  'spa-2003-10-17': ({ inputs, expected, tolerance }) => {
    const air = { hectopascals: inputs.pressure_hpa, celsius: inputs.temperature_c }
    const sun = sunPosition(at(inputs.utc), inputs.lat, inputs.lon, air)
    // The grade of a short theory; how far it really lies is printed.
    const within = tolerance.simple_model_deg
    const zenith = 90 - sun.apparentElevationDegrees
    console.info(
      `sun against the worked example: zenith ${(zenith - expected.zenith_deg).toFixed(4)}, azimuth ` +
        `${(sun.azimuthDegrees - expected.azimuth_from_north_deg).toFixed(4)} degrees, equation of time ` +
        `${(sun.equationOfTimeMinutes - expected.eot_min).toFixed(4)} min`,
    )
    return [
      pair('zenith', zenith, expected.zenith_deg, within),
      pair('azimuth', sun.azimuthDegrees, expected.azimuth_from_north_deg, within),
      pair('Julian day', julianDay(at(inputs.utc)), expected.julian_day, 1e-6),
      pair('distance', sun.distanceAu, expected.R_au, 2e-5),
      pair('declination', sun.declinationDegrees, expected.declination_geocentric_deg, within),
      pair('hour angle', sun.hourAngleDegrees, expected.hour_angle_deg, within),
      pair('equation of time', sun.equationOfTimeMinutes, expected.eot_min, 4 * within),
    ]
  },
  'spa-2003-10-17-rise-set': ({ inputs, expected, tolerance }) => {
    const day = sunDay(at('2003-10-17T19:00:00Z'), inputs.lat, inputs.lon)
    const local = (time: string): number => Date.parse(`2003-10-17T${time}-07:00`) / 1000
    return [
      pair('rise', day.rise! / 1000, Date.parse(expected.sunrise_utc) / 1000, tolerance.simple_model_s),
      pair('transit', day.transit / 1000, local(expected.transit_local), tolerance.simple_model_s),
      pair('set', day.set! / 1000, Date.parse(expected.sunset_utc) / 1000, tolerance.simple_model_s),
    ]
  },
  'spa-other-instants': ({ inputs, expected, tolerance }) =>
    inputs.cases.flatMap(([time, lat, lon]: [string, number, number], i: number) => {
      const sun = sunPosition(at(time), lat, lon)
      const within = tolerance.simple_model_deg
      return [
        pair('elevation', sun.elevationDegrees, expected.elevation_no_refraction_deg[i], within),
        pair('apparent', sun.apparentElevationDegrees, expected.elevation_apparent_deg[i], within),
        pair('azimuth', sun.azimuthDegrees, expected.azimuth_deg[i], within),
      ]
    }),
  'declination-cooper': ({ inputs, expected, tolerance }) =>
    pairs('declination', inputs.day_of_year.map(declinationCooper), expected.deg, tolerance),
  'declination-spencer': ({ inputs, expected, tolerance }) =>
    pairs('declination', inputs.day_of_year.map(declinationSpencer), expected.deg, tolerance),
  'spencer-vs-cooper-published': ({ inputs, expected, tolerance }) => [
    ...pairs('Spencer', inputs.day_of_year.map(declinationSpencer), expected.spencer_deg, tolerance),
    ...pairs('Cooper', inputs.day_of_year.map(declinationCooper), expected.cooper_deg, tolerance),
  ],
  'equation-of-time': ({ inputs, expected, tolerance }) =>
    pairs('minutes', inputs.day_of_year.map(equationOfTimeSpencer), expected.minutes, tolerance),
  'solar-time-madison': ({ inputs, expected, tolerance }) => {
    const hours = solarHours(10.5, inputs.day_of_year, -inputs.standard_meridian_w, -inputs.longitude_w)
    return [
      pair('equation', equationOfTimeSpencer(inputs.day_of_year), expected.eot_min, tolerance.minutes),
      pair('solar time', hours * 60, 10 * 60 + 19, tolerance.minutes),
    ]
  },
  'incidence-angle-madison': ({ inputs, expected, tolerance }) => {
    const { lat, declination_rounded: dec, hour_angle: angle, slope } = inputs
    const cosine = cosIncidence(lat, dec, angle, slope, inputs.surface_azimuth_west_of_south)
    return [pair('incidence', degrees(Math.acos(cosine)), expected.theta_deg, tolerance)]
  },
  'zenith-azimuth-43N': ({ inputs, expected, tolerance }) =>
    inputs.cases.flatMap(({ day, hour_angle }: { day: number; hour_angle: number }, i: number) => {
      const dec = declinationCooper(day)
      const zenith = degrees(Math.acos(cosZenith(inputs.lat, dec, hour_angle)))
      const azimuth = azimuthFromSouth(inputs.lat, dec, hour_angle)
      return [
        pair('zenith', zenith, expected.zenith_deg[i], tolerance),
        pair('azimuth', azimuth, expected.azimuth_deg[i], tolerance),
      ]
    }),
  'sunrise-43N-march-16': ({ inputs, expected, tolerance }) => {
    const dec = declinationCooper(inputs.day_of_year)
    const half = halfDayDegrees(inputs.lat, dec)
    return [
      pair('declination', dec, expected.declination_deg, tolerance.deg),
      pair('half day', half, expected.sunset_hour_angle_deg, tolerance.deg),
      pair('sunrise', 12 - half / 15, expected.sunrise_solar_time_h, tolerance.hours),
    ]
  },
  'H0-april-15-43N': ({ inputs, expected, tolerance }) => {
    const dec = declinationCooper(inputs.day_of_year)
    return [
      pair('half day', halfDayDegrees(inputs.lat, dec), expected.sunset_hour_angle_deg, tolerance),
      pair(
        'H0',
        megajoules(extraterrestrialDay(inputs.lat, dec, inputs.day_of_year, inputs.Gsc)),
        expected.H0_mj_m2,
        tolerance,
      ),
    ]
  },
  'I0-hour-april-15-43N': ({ inputs, expected, tolerance }) => {
    const dec = declinationCooper(inputs.day_of_year)
    const wattHours = extraterrestrialSpan(inputs.lat, dec, inputs.day_of_year, -30, -15, inputs.Gsc)
    return [pair('I0', megajoules(wattHours), expected.I0_mj_m2, tolerance)]
  },
  'Ra-fao-example-8': ({ inputs, expected, tolerance }) => {
    const dec = declinationCooper(inputs.day_of_year)
    const watts = (inputs.Gsc_mj_m2_min * 1e6) / 60
    return [
      pair(
        'Ra',
        megajoules(extraterrestrialDay(inputs.lat, dec, inputs.day_of_year, watts)),
        expected.Ra_mj_m2_day,
        tolerance,
      ),
      pair('dr', distanceFactor(inputs.day_of_year), expected.dr, 0.001),
      pair('half day', radians(halfDayDegrees(inputs.lat, dec)), expected.sunset_hour_angle_rad, 0.002),
    ]
  },
  'daylight-hours-fao-example-9': ({ inputs, expected, tolerance }) => [
    pair('hours', dayLengthHours(degrees(inputs.sunset_hour_angle_rad)), expected.hours, tolerance),
  ],
  'day-length-polar': ({ inputs, expected, tolerance }) =>
    inputs.lat.flatMap((lat: number, i: number) => {
      const day = inputs.day_of_year[i]
      const dec = declinationCooper(day)
      const energy = megajoules(extraterrestrialDay(lat, dec, day))
      return [
        pair('hours', dayLengthHours(halfDayDegrees(lat, dec)), expected.hours[i], tolerance),
        pair('H0', energy, expected.H0_mj_m2[i], tolerance),
      ]
    }),
  'H0-lat34': ({ inputs, expected, tolerance }) =>
    inputs.day_of_year.flatMap((day: number, i: number) => {
      const dec = declinationCooper(day)
      const energy = megajoules(extraterrestrialDay(inputs.lat, dec, day, inputs.Gsc))
      return [
        pair('H0', energy, expected.H0_mj_m2[i], tolerance),
        pair('hours', dayLengthHours(halfDayDegrees(inputs.lat, dec)), expected.day_length_h[i], tolerance),
      ]
    }),
  haurwitz: ({ inputs, expected, tolerance }) =>
    pairs('clear sky', inputs.cos_zenith.map(clearSkyWatts), expected.ghi_w_m2, tolerance),
  'haurwitz-day-lat34': ({ inputs, expected, tolerance }) =>
    inputs.day_of_year.map((day: number, i: number) => {
      const wanted = expected.daily_wh_m2[i]
      return pair('clear day', clearSkyDay(inputs.lat, day), wanted, tolerance.relative * wanted)
    }),
  'isotropic-hour-40N-feb-20': ({ inputs, expected, tolerance }) => {
    const dec = declinationCooper(inputs.day_of_year)
    const ratio = cosZenith(inputs.lat - inputs.slope, dec, -37.5) / cosZenith(inputs.lat, dec, -37.5)
    const clearness =
      inputs.I_mj_m2 / megajoules(extraterrestrialSpan(inputs.lat, dec, inputs.day_of_year, -45, -30))
    const share = diffuseShareOfHour(clearness)
    const tilted = onTiltedPlane(inputs.I_mj_m2, inputs.I_mj_m2 * share, ratio, inputs.slope, inputs.albedo)
    return [
      pair('Rb', ratio, expected.Rb, tolerance),
      pair('clearness', clearness, expected.kT, tolerance),
      pair('diffuse share', share, expected.diffuse_fraction, tolerance),
      pair('beam', tilted.beam, expected.beam, tolerance),
      pair('diffuse', tilted.diffuse, expected.diffuse, tolerance),
      pair('ground', tilted.ground, expected.ground, tolerance),
      pair('total', tilted.total, expected.total_mj_m2, tolerance),
    ]
  },
  'isotropic-month-madison-jan': ({ inputs, expected, tolerance }) => {
    const { lat, day_of_year: day, slope, H_mj_m2: level, albedo } = inputs
    const dec = declinationCooper(day)
    const above = megajoules(extraterrestrialDay(lat, dec, day))
    const share = diffuseShareOfMonth(level / above, halfDayDegrees(lat, dec))
    const ratio = beamRatioOfDay(lat, dec, slope)
    return [
      pair('H0', above, expected.H0, tolerance),
      pair('clearness', level / above, expected.KT, tolerance),
      pair('mean Rb', ratio, expected.Rb_mean, tolerance),
      pair('diffuse share', share, expected.diffuse_fraction, tolerance),
      pair(
        'HT',
        onTiltedPlane(level, level * share, ratio, slope, albedo).total,
        expected.HT_mj_m2,
        tolerance,
      ),
    ]
  },
  'isotropic-day-lat34-dec': ({ inputs, expected, tolerance }) => {
    const ratio = beamRatioOfDay(inputs.lat, declinationCooper(inputs.day_of_year), inputs.slope)
    const tilted = onTiltedPlane(inputs.H_kwh_m2, inputs.Hd_kwh_m2, ratio, inputs.slope, inputs.albedo)
    return [
      pair('mean Rb', ratio, expected.Rb_mean, tolerance),
      pair('HT', tilted.total, expected.HT_kwh_m2, tolerance),
      ...pairs('part', [tilted.beam, tilted.diffuse, tilted.ground], expected.parts, tolerance),
    ]
  },
}

const restTable: Check = ({ inputs, expected, tolerance }) => {
  const table = inputs.soc_volt_rows
    .map(([percent, volts]: [number, number]) => ({ percent, volts }))
    .reverse()
  return Object.entries<number>(expected.soc_at).map(([volts, percent]) =>
    pair(`${volts} V`, percentAtRest(table, Number(volts)), percent, tolerance.soc_points),
  )
}

/** The built-in table too, not tighter than the reference says a rest voltage can tell. */
const ownTable =
  (name: ChemistryName): Check =>
  (vector) => [
    ...restTable(vector),
    ...Object.entries<number>(vector.expected.soc_at).map(([volts, percent]) =>
      pair(
        `own table, ${volts} V`,
        percentAtRest(chemistries[name].rest, Number(volts)),
        percent,
        vector.tolerance.soc_points,
      ),
    ),
  ]

export const powerChecks: Readonly<Record<string, Check>> = {
  'pv-cell-temperature': ({ inputs, expected, tolerance }) => {
    const panel = {
      ratedWatts: inputs.rated_w,
      nominalCellCelsius: inputs.noct_c,
      powerPerCelsius: inputs.gamma_per_c,
    }
    return [
      pair('cell', cellCelsius(panel, inputs.irradiance_w_m2, inputs.ambient_c), expected.cell_c, tolerance),
      pair('power', panelWatts(panel, inputs.irradiance_w_m2, inputs.ambient_c), expected.power_w, tolerance),
    ]
  },
  'duty-cycle-load': ({ inputs, expected, tolerance }) => {
    const watts = meanWatts(
      inputs.states.map((s: { w: number; s_per_h: number }) => ({ watts: s.w, secondsPerHour: s.s_per_h })),
    )
    return [
      pair('mean', watts, expected.mean_w, tolerance),
      pair('a day', watts * 24, expected.daily_wh, tolerance),
    ]
  },
  'ocv-lead-acid-12v': ownTable('lead-acid'),
  'ocv-lead-acid-coarse': restTable,
  'ocv-lifepo4-4s': ownTable('lifepo4'),
  'coulomb-count': ({ inputs, expected, tolerance }) => {
    let charge = (inputs.capacity_ah * inputs.start_soc) / 100
    const after = inputs.steps_amp_hours.map(([amperes, hours]: [number, number]) => {
      charge = countCharge(charge, amperes, hours, inputs.capacity_ah, inputs.charge_efficiency)
      return (100 * charge) / inputs.capacity_ah
    })
    return pairs('charge after step', after, expected.soc_after_each, tolerance)
  },
  'battery-autonomy': ({ inputs, expected, tolerance }) => {
    const { daily_load_wh: load, days, max_depth_of_discharge: depth } = inputs
    const energy = batteryForDays(load, days, depth, inputs.temperature_factor, inputs.wiring_efficiency)
    return [
      // The reference rounds to 0.1 Wh.
      pair('energy', energy, expected.energy_wh, 0.05),
      pair('capacity', energy / inputs.system_v, expected.capacity_ah, tolerance),
    ]
  },
  'peak-sun-hours': ({ inputs, expected, tolerance }) => [
    pair(
      'array',
      panelForSunHours(inputs.daily_load_wh, inputs.peak_sun_hours, inputs.overall_efficiency),
      expected.array_w,
      tolerance,
    ),
  ],
  'array-to-load-ratio': ({ inputs, expected, tolerance }) => {
    const { daily_load_ah: load, system_losses: losses, sun_hours: hours, string_imp_a: amperes } = inputs
    const exact = stringsForRatio(load, inputs.target_A_to_L, losses, hours, amperes)
    const ratio = ratioOfStrings(Math.ceil(exact), load, losses, hours, amperes)
    return [
      pair('strings', exact, expected.strings_exact, tolerance),
      pair('whole strings', Math.ceil(exact), expected.strings, 0),
      pair('ratio', ratio, expected.resulting_A_to_L, tolerance),
    ]
  },
  'loss-of-load-48h': ({ inputs, expected, tolerance }) => {
    const battery = {
      capacityWattHours: inputs.capacity_wh,
      leastWattHours: inputs.min_wh,
      chargeEfficiency: inputs.charge_efficiency,
      dischargeEfficiency: inputs.discharge_efficiency,
    }
    const lost = lossOfLoad(battery, inputs.start_wh, inputs.pv_wh_per_h, inputs.load_wh_per_h)
    return [
      ...pairs('energy', lost.wattHours, expected.energy_wh, tolerance),
      pair('hours', lost.lossHours, expected.loss_of_load_hours, 0),
      pair('unmet', lost.unmetWattHours, expected.unmet_wh, tolerance),
      pair('probability', lost.probability, expected.lolp, tolerance),
      pair('energy ratio', lost.energyRatio, expected.llp, tolerance),
    ]
  },
}
