import type { Correction } from '../../agent/limits/limits.js'

export const straightLine: Correction = {
  name: 'run-of-march',
  channel: 'pm2_5',
  serial: '00417',
  scaling: 'atmospheric',
  form: { kind: 'linear', intercept: 1.5, slope: 0.8 },
  lowest: 0,
  highest: 150,
  mostHumidityPercent: 90,
  made: '2026-03-31',
  source: 'side-by-side run of 31 days',
}

export const growth: Correction = {
  ...straightLine,
  name: 'growth',
  form: { kind: 'growth', kappa: 0.4, dryDensity: 1.65 },
  mostHumidityPercent: 95,
}
