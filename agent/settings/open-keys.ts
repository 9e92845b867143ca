/**
 * Keys that can be set from afar. Everything else is closed, also what a later release adds: whatever names a program, a file, a
 * port, a user, a secret, an address or a person, whatever decides who is believed, and whatever says what or where a station is.
 * Of a list every key that it holds is named; such a list is pushed whole.
 */
export const openKeys: ReadonlySet<string> = new Set([
  ...['data.record_s', 'data.flush_every_s', 'health.every_min', 'log.level'],
  ...['rule', 'channel', 'average', 'above', 'below', 'back_at', 'on_delay_min', 'off_delay_min'].map(
    inAlerts,
  ),
  ...['min_data_capture_percent', 'priority'].map(inAlerts),
  ...['rule', 'use', 'above', 'back_at', 'after_min', 'priority'].map((key) => `built_in_alerts[].${key}`),
  ...['plan', 'richer_when_alerted', 'reserve_percent', 'resume_points'].map((key) => `power.${key}`),
  ...['every_min', 'on_min', 'from_h', 'to_h'].map((key) => `power.modem.${key}`),
  ...['pack_every_min', 'keepalive_s', 'answer_limit_s', 'encoding', 'connection'].map(inUplink),
  ...['daily_budget_kb', 'resend_after_min'].map(inUplink),
])

function inAlerts(key: string): string {
  return `alerts[].${key}`
}

function inUplink(key: string): string {
  return `uplink.${key}`
}

/** Lists whose items have open keys. */
export const openLists: ReadonlySet<string> = new Set(['alerts', 'built_in_alerts'])
