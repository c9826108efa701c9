//! The operation's own settings.

use crate::problem::Body;
use crate::{Problem, ServiceState};
use axum::Json;
use axum::extract::State;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use utoipa_axum::{router::OpenApiRouter, routes};

/// In which units pages and notices speak.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "lowercase")]
enum Units {
    /// kg, l, °C.
    #[default]
    Metric,
    /// lb, US gal, °F.
    Us,
}

#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
struct SettingsBody {
    units: Units,
}

const UNITS: &str = "units";

pub(crate) fn router() -> OpenApiRouter<ServiceState> {
    OpenApiRouter::new().routes(routes!(read_settings, write_settings))
}

/// The settings.
#[utoipa::path(get, path = "/api/v1/settings", tag = "settings", responses((status = 200, body = SettingsBody)))]
async fn read_settings(State(service): State<ServiceState>) -> Result<Json<SettingsBody>, Problem> {
    let units = service.blocking(|s| Ok(s.records.setting(UNITS)?)).await?;
    let units = if units.as_deref() == Some("us") {
        Units::Us
    } else {
        Units::Metric
    };
    Ok(Json(SettingsBody { units }))
}

/// Sets the settings.
#[utoipa::path(put, path = "/api/v1/settings", tag = "settings", request_body = SettingsBody,
    responses((status = 200, body = SettingsBody), (status = 400, body = Problem)))]
async fn write_settings(
    State(service): State<ServiceState>,
    Body(settings): Body<SettingsBody>,
) -> Result<Json<SettingsBody>, Problem> {
    let value = match settings.units {
        Units::Metric => "metric",
        Units::Us => "us",
    };
    service
        .blocking(move |s| Ok(s.records.set_setting(UNITS, value)?))
        .await?;
    Ok(Json(settings))
}
